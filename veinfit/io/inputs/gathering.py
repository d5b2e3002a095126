"""The labels of a case: of one volume, or of several put together on one grid."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from veinfit.errors import InputError
from veinfit.io.dicom.common import Segments
from veinfit.io.files import is_dicom
from veinfit.io.inputs.volumes import read_shares, read_stored_volume, read_volume
from veinfit.labels.counting import value_counts
from veinfit.labels.join import HALF, Grid, LabelPart, crop_part, join_parts
from veinfit.labels.model import (
    BODY_NAME,
    LabelMap,
    LabelVolume,
    PartSource,
    is_label_name,
)
from veinfit.labels.upright import SHEAR_LIMIT_DEG, shear_deg, upright_affine, upright_note
from veinfit.notes import Note
from veinfit.vectors import apply_affine


def read_labels(
    path: Path, label_map: LabelMap | None, also: Sequence[Path] = ()
) -> tuple[LabelVolume, LabelMap | None]:
    """Read the labels of a case as one volume and what its values mean.

    Parameters
    ----------
    path : Path
        The first volume; all others are put onto its grid.
    label_map : LabelMap or None
    also : sequence of Path
        Further volumes, whose values the map names together with those of the first.

    Returns
    -------
    volume : LabelVolume
    label_map : LabelMap or None
        Of values of this volume alone.

    Raises
    ------
    InputError
        A file cannot be read; a value stands for two things; nothing of the first
        volume is used.
    """
    parts = {} if label_map is None else dict(label_map.parts)
    dicom = is_dicom(path)
    if not parts and not also and not dicom:
        return read_volume(path), label_map
    if dicom and label_map is None and not also:
        return _by_codes(path)
    if label_map is None:
        raise InputError(
            f"several label volumes need a label map that says what each holds; pass --labels FILE "
            f'with [labels] and, for a file of one label, such as {BODY_NAME} = "{path.name}"'
        )
    return _Gathered(path, label_map, tuple(also)).result()


def _by_codes(path: Path) -> tuple[LabelVolume, LabelMap]:
    """Read a file whose segments say by codes or names what they are."""
    from veinfit.io.dicom.labels import map_by_codes, read_segments

    held = read_segments(path)
    label_map, unknown = map_by_codes(held, path)
    gathered = _Gathered(path, label_map, ())
    gathered.segments[path.resolve()] = held
    gathered.told_segments(path, held)
    if unknown:
        numbers = ", ".join(str(segment.number) for segment in unknown)
        text = f"segments whose codes and names are none of the known ones were left out: {numbers}"
        gathered.notes.append(Note("input", text))
    return gathered.result()


class _Gathered:
    """Reads each file once and makes parts of what the map names."""

    def __init__(self, path: Path, label_map: LabelMap, also: Sequence[Path]) -> None:
        self.path, self.map, self.also = path, label_map, also
        self.notes: list[Note] = []
        self.volumes: dict[Path, LabelVolume] = {}
        self.parts: list[LabelPart] = []
        self.grid: Grid | None = None
        self.segments: dict[Path, Segments] = {}
        self.frames: dict[str, Path] = {}

    def result(self) -> tuple[LabelVolume, LabelMap]:
        named = {
            v: n for t in (self.map.labels, self.map.structures) for n, vs in t.items() for v in vs
        }
        here = [self.path, *self.also]
        # A file that the map names is read for what it says there, and for nothing else.
        shared = {p.resolve() for p in here} & {
            Path(part.file).resolve() for part in self.map.parts.values() if part.file
        }
        own = any(not part.file for part in self.map.parts.values())
        if not named and not own and self.path.resolve() not in shared:
            raise InputError(
                f"{self.map.source}: no entry is taken from the input {self.path}; give as input "
                f"the volume of {BODY_NAME}"
            )
        holders: dict[int, Path] = {}
        if named:
            for path in here:
                if path.resolve() not in shared:
                    self._add_values(path, named, holders)
        missing = {n for n in named.values()} - {part.name for part in self.parts}
        wanted = [n for n in missing if is_label_name(n)]
        if wanted:
            raise InputError(
                f"{self.map.source}: no volume holds a voxel of {', '.join(sorted(wanted))}; "
                "correct the label map or give the matching volumes"
            )
        labels, structures = dict(self.map.labels), dict(self.map.structures)
        top = max([0, *named, *holders])
        for k, (name, source) in enumerate(self.map.parts.items()):
            value = top + 1 + k
            self._add_part(name, source, value)
            (labels if is_label_name(name) else structures)[name] = (value,)
        grid = self._grid_of(self.path)
        volume = join_parts(self.parts, grid)
        joined = LabelVolume(volume.values, volume.affine, (*self.notes, *volume.notes), volume.cut)
        return joined, LabelMap(labels, structures, self.map.source)

    def _segments(self, path: Path) -> Segments:
        from veinfit.io.dicom.labels import read_segments

        key = path.resolve()
        if key not in self.segments:
            self.segments[key] = read_segments(path)
            self.told_segments(path, self.segments[key])
        return self.segments[key]

    def told_segments(self, path: Path, held: Segments) -> None:
        """Take up the grid and the frame of reference of a DICOM file."""
        self._keep_grid(path, held.segments[0].shares.shape, held.affine)
        self.notes += held.notes
        if held.frame_of_reference:
            self.frames.setdefault(held.frame_of_reference, path)
        if len(self.frames) > 1:
            first, second = list(self.frames.values())[:2]
            raise InputError(
                f"{first} and {second} lie in different frames of reference; give labels of one "
                "image"
            )

    def _add_segments(self, name: str, source: PartSource, value: int, path: Path) -> None:
        """Make a part of the segments that an entry means."""
        from veinfit.io.dicom.labels import chosen_segments

        held = self._segments(path)
        found = chosen_segments(name, source, held, path, self.map.source)
        shares = found[0].shares
        for segment in found[1:]:
            shares = np.maximum(shares, segment.shares)
        level = HALF if source.at_least is None else source.at_least
        if not (shares >= level).any():
            raise InputError(
                f"volume {path}: the segment for {name} holds nothing; export it again, or correct "
                "the label map"
            )
        part = crop_part(name, value, shares, held.affine, level)
        # Where nothing tells the border of the image, the label ends where it was drawn.
        room = np.where(held.bounded, 0, 2)
        affine = held.affine.copy()
        affine[:3, 3] = apply_affine(held.affine, -room.astype(float))
        part = replace(part, low=part.low + room, shape=part.shape + 2 * room, affine=affine)
        self.parts.append(part)

    def _volume(self, path: Path) -> LabelVolume:
        key = path.resolve()
        if key not in self.volumes:
            self.volumes[key] = read_stored_volume(path)
            self.notes += self.volumes[key].notes
            self._keep_grid(path, self.volumes[key].values.shape, self.volumes[key].affine)
        return self.volumes[key]

    def _keep_grid(self, path: Path, shape: Iterable[int], affine: np.ndarray) -> None:
        if path.resolve() != self.path.resolve() or self.grid is not None:
            return
        self.grid = Grid(np.array(tuple(shape)), affine)
        if shear_deg(affine) > SHEAR_LIMIT_DEG:
            self.grid = Grid(np.array(tuple(shape)), upright_affine(affine))
            self.notes.append(upright_note(affine))

    def _grid_of(self, path: Path) -> Grid:
        if self.grid is None:
            if is_dicom(path):
                self._segments(path)
            else:
                self._volume(path)
        assert self.grid is not None
        return self.grid

    def _add_values(self, path: Path, named: dict[int, str], holders: dict[int, Path]) -> None:
        """Make a part of each value of a volume that is read by the map's numbers."""
        if is_dicom(path):
            for value in [s.number for s in self._segments(path).segments if s.number in named]:
                self._check_held(value, path, named, holders)
                self._add_segments(named[value], PartSource(values=(value,)), value, path)
            return
        volume = self._volume(path)
        for value in value_counts(volume.values):
            self._check_held(value, path, named, holders)
            self.parts.append(
                crop_part(named.get(value, ""), value, volume.values == value, volume.affine)
            )

    def _check_held(
        self, value: int, path: Path, named: dict[int, str], holders: dict[int, Path]
    ) -> None:
        if value in holders:
            raise InputError(
                f"{path} and {holders[value]} both hold the value {value}; name the file of "
                f"each in the label map: {named.get(value, 'NAME')} = {{ file = "
                f'"{path.name}", value = {value} }}'
            )
        holders[value] = path

    def _add_part(self, name: str, source: PartSource, value: int) -> None:
        path = Path(source.file) if source.file else self.path
        if is_dicom(path):
            self._add_segments(name, source, value, path)
            return
        if source.segments or source.codes:
            raise InputError(
                f"{self.map.source}: {name} asks for a DICOM segment, but {path} is none; give "
                "its value"
            )
        if source.at_least is not None:
            shares, affine, notes = read_shares(path)
            self._keep_grid(path, shares.shape, affine)
            self.notes += notes
            most = float(shares.max())
            if not source.at_least <= most:
                raise InputError(
                    f"{self.map.source}: {name} counts from {source.at_least:g} on, but volume "
                    f"{path} goes to {most:g} only; give at_least in the scale of the file"
                )
            self.notes.append(
                Note(
                    "input", f"{name} is where its probability is {source.at_least:g} or more", name
                )
            )
            # What no interpolation can bring over the level is not kept.
            self.parts.append(crop_part(name, value, shares, affine, source.at_least))
            return
        volume = self._volume(path)
        counts = value_counts(volume.values)
        absent = [v for v in source.values if v not in counts]
        if absent:
            raise InputError(
                f"{self.map.source}: {name} = {', '.join(map(str, absent))}, but volume {path} "
                f"holds {', '.join(map(str, list(counts)[:12]))}"
            )
        if not source.values and len(counts) > 1:
            raise InputError(
                f"{self.map.source}: {name} is taken from {path}, which holds several values "
                f"({', '.join(map(str, list(counts)[:12]))}); add value = ..."
            )
        inside = np.isin(volume.values, list(source.values or counts))
        self.parts.append(crop_part(name, value, inside, volume.affine))
