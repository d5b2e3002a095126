"""What a file of a case is, read at once: kind, frame, spacing, extent, parts with their volume."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from veinfit.errors import InputError
from veinfit.io.files import hash_file, input_kind, is_dicom
from veinfit.io.inputs.meshes import MM_PER_UNIT
from veinfit.labels.counting import value_counts
from veinfit.labels.lumen import IMAGE_VALUES
from veinfit.labels.model import ATRIUM_MM_RANGE
from veinfit.toml import read_toml
from veinfit.vectors import FloatArray

DATA_SUFFIXES = (".raw", ".zraw", ".raw.gz")
"""Data that a header beside them (MHD, NHDR) names."""

LISTED_PARTS = 60
"""A file with more parts than this shows the largest ones."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a label file.

    Attributes
    ----------
    value : int
        In the volume; the number of a DICOM segment.
    text : str
        What a DICOM file calls it.
    volume_ml : float
    meaning : str
        Its name in a label map, where the file's own codes say it.
    """

    value: int
    text: str
    volume_ml: float
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class FileLook:
    """What a file is.

    Attributes
    ----------
    name : str
    kind : str
        ``mesh``, ``labels``, ``image``, ``slice`` of one, ``data``, ``label map``, ``landmarks``,
        ``corrections``, ``settings`` or ``unusable``.
    bytes : int
    sha256 : str
    told : tuple of (str, str)
        What the header says, as label and value.
    parts : tuple of Part
    units : tuple of str
        Of a mesh: those in which it has the size of an atrium.
    more_parts : int
        Parts that are not listed.
    remarks : tuple of str
    fault : str
        Why it cannot be used.
    """

    name: str
    kind: str
    bytes: int
    sha256: str
    told: tuple[tuple[str, str], ...] = ()
    parts: tuple[Part, ...] = ()
    units: tuple[str, ...] = ()
    more_parts: int = 0
    remarks: tuple[str, ...] = ()
    fault: str = ""


def inspect(path: Path) -> FileLook:
    """Look into a file; one that cannot be used says why, and raises nothing.

    Parameters
    ----------
    path : Path
    """
    try:
        digest, size = hash_file(path), path.stat().st_size
    except (InputError, OSError) as error:
        return FileLook(path.name, "unusable", 0, "", fault=str(error))
    look = FileLook(path.name, "unusable", size, digest)
    try:
        return _looked(path, look)
    except InputError as error:
        # The page names the file already, and nobody there knows the folder.
        told = str(error).replace(str(path), path.name)
        return _with(look, kind="unusable", fault=told)


def _with(look: FileLook, **changes: object) -> FileLook:
    from dataclasses import replace

    return replace(look, **changes)  # type: ignore[arg-type]


def _looked(path: Path, look: FileLook) -> FileLook:
    name = path.name.lower()
    if name.endswith(".toml"):
        return _toml(path, look)
    if name.endswith((".csv", ".tsv", ".txt")):
        from veinfit.io.inputs.landmarks import read_landmarks

        marks = read_landmarks(path)
        told = tuple(
            (key, f"{len(marks[key])} point" + "s" * (len(marks[key]) > 1)) for key in marks
        )
        frame = ("Frame", f"{marks.frame.upper()}, as the file states or by default")
        return _with(look, kind="landmarks", told=(frame, *told))
    if name.endswith(DATA_SUFFIXES):
        return _with(look, kind="data", told=(("Holds", "the numbers of a header file"),))
    if input_kind(path) == "mesh":
        return _mesh(path, look)
    return _dicom(path, look) if is_dicom(path) else _volume(path, look)


def _toml(path: Path, look: FileLook) -> FileLook:
    content = read_toml(path, "file")
    if "correction" in content:
        from veinfit.io.inputs.corrections import read_corrections

        count = len(read_corrections(path))
        return _with(look, kind="corrections", told=(("Corrections", str(count)),))
    if "labels" in content or "structures" in content:
        from veinfit.io.inputs.label_map import label_map_from_mapping

        read = label_map_from_mapping(content)
        told = {**read.labels, **read.structures}
        rows = tuple((key, ", ".join(map(str, values))) for key, values in told.items())
        return _with(look, kind="label map", told=rows)
    from veinfit.settings import Settings

    Settings.from_toml(path)
    return _with(look, kind="settings", told=(("Groups", ", ".join(content)),))


def _mesh(path: Path, look: FileLook) -> FileLook:
    from veinfit.io.mesh_formats.parsers import PARSERS
    from veinfit.io.mesh_formats.polygons import DamagedMesh

    try:
        mesh = PARSERS[path.suffix.lower()](path.read_bytes())
    except (DamagedMesh, OSError) as error:
        raise InputError(f"{path} is not a whole mesh: {error}; export it again") from error
    finite = mesh.points[np.isfinite(mesh.points).all(axis=1)]
    if not len(finite) or not len(mesh.corners):
        raise InputError(f"{path} has no triangles; export it as a surface")
    extent = np.ptp(finite, axis=0)
    least, most = ATRIUM_MM_RANGE
    units = tuple(
        unit for unit, mm in MM_PER_UNIT.items() if least <= float(extent.max()) * mm <= most
    )
    told = (
        ("Format", path.suffix[1:].upper()),
        ("Faces", f"{len(mesh.sizes)}"),
        ("Extent", _times(extent, 1, "in the file's unit")),
        ("Frame", "not told by the file"),
        ("Unit", "not told by the file" + (f"; its size fits {units[0]}" if units else "")),
    )
    fault = ""
    if not units:
        fault = (
            f"it is {extent.max():.3g} across, and no unit makes that the size of an atrium "
            f"({least:g} to {most:g} mm); check the file"
        )
    return _with(look, kind="mesh", told=told, units=units, fault=fault)


def _volume(path: Path, look: FileLook) -> FileLook:
    from veinfit.io.inputs.volumes import read_volume

    try:
        volume = read_volume(path)
    except InputError as error:
        return _image(path, look, error)
    counts = value_counts(volume.values)
    told = _grid(path, volume.values.shape, volume.affine)
    if len(counts) > IMAGE_VALUES:
        return _with(look, kind="image", told=told)
    parts = [Part(v, "", round(n * volume.voxel_ml, 2)) for v, n in counts.items()]
    remarks = tuple(note.text for note in volume.notes)
    return _with(look, kind="labels", told=told, remarks=remarks, **_listed(parts))


def _image(path: Path, look: FileLook, refusal: InputError | None = None) -> FileLook:
    """Take what is no label volume for an image, where it is one."""
    from veinfit.io.inputs.images import read_image

    try:
        image = read_image(path)
    except InputError as error:
        raise (refusal or error) from None
    shape = image.values.shape
    return _with(look, kind="image", told=_grid(path, shape, image.affine))


def _dicom(path: Path, look: FileLook) -> FileLook:
    from veinfit.io.dicom.common import need_dicom, read_dataset
    from veinfit.io.dicom.enhanced import is_multi_frame
    from veinfit.io.dicom.labels import map_by_codes, read_segments

    need_dicom(f"{path.name} is DICOM, which")
    ds = read_dataset(path, "file", stop_before_pixels=True)
    if "ImagePositionPatient" in ds:
        header = (("Format", "DICOM"), ("Frame", "told by the file"), ("Unit", "mm"))
        return _with(look, kind="slice", told=header)
    if is_multi_frame(ds):
        return _image(path, look)
    held = read_segments(path)
    meanings: dict[int, str] = {}
    remark = ""
    try:
        known, _ = map_by_codes(held, path)
        meanings = {v: name for name, part in known.parts.items() for v in part.values}
    except InputError as error:
        remark = str(error).replace(str(path), path.name)
    voxel_ml = abs(float(np.linalg.det(held.affine[:3, :3]))) / 1000.0
    parts = [
        Part(
            s.number,
            s.name,
            round(float(np.count_nonzero(s.shares >= 0.5)) * voxel_ml, 2),
            meanings.get(s.number, ""),
        )
        for s in held.segments
    ]
    told = (("Format", "DICOM"), *_grid(path, held.segments[0].shares.shape, held.affine)[1:])
    remarks = (remark,) if remark and not meanings else ()
    return _with(look, kind="labels", told=told, remarks=remarks, **_listed(parts))


def _listed(parts: list[Part]) -> dict[str, object]:
    largest = sorted(parts, key=lambda one: -one.volume_ml)[:LISTED_PARTS]
    shown = tuple(sorted(largest, key=lambda one: one.value))
    return {"parts": shown, "more_parts": len(parts) - len(shown)}


def _grid(path: Path, shape: tuple[int, ...], affine: FloatArray) -> tuple[tuple[str, str], ...]:
    edges = np.linalg.norm(affine[:3, :3], axis=0)
    suffix = "".join(path.suffixes[-2:] if path.suffix.lower() == ".gz" else path.suffixes[-1:])
    return (
        ("Format", suffix.lstrip(".") or "none"),
        ("Voxels", " × ".join(str(n) for n in shape)),
        ("Spacing", _times(edges, 2, "mm")),
        ("Extent", _times(edges * np.array(shape[:3]), 0, "mm")),
        ("Frame", "told by the file"),
        ("Unit", "mm"),
    )


def _times(values: FloatArray, decimals: int, unit: str) -> str:
    return f"{' × '.join(f'{v:.{decimals}f}' for v in values)} {unit}"
