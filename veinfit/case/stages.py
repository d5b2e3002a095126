"""The stages one by one, for whoever calls them from Python with their own data."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from veinfit.anatomy.find import find_anatomy
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Anatomy
from veinfit.case.options import SettingsLike, chosen_balloons, settings_of
from veinfit.case.reading import SEPTAL_CROSSING, CaseInput, read_case, with_septum
from veinfit.errors import InputError
from veinfit.frames import Frame
from veinfit.io.inputs.meshes import Unit, read_mesh
from veinfit.notes import Note, verdict_first
from veinfit.result.case_result import CaseResult
from veinfit.result.tables import TableKind, anatomy_tables, as_tables
from veinfit.seating.approach.line import approaches_named
from veinfit.seating.balloon import Balloon
from veinfit.seating.balloon_defaults import STANDARD_SIZES
from veinfit.seating.balloon_file import parse_balloon
from veinfit.seating.kinds import DEFAULT_APPROACH
from veinfit.seating.model import Fit
from veinfit.seating.opening import Opening
from veinfit.seating.seat import seat_vein
from veinfit.settings import Settings
from veinfit.surface import Surface
from veinfit.surface.foreign import as_surface

BalloonLike = float | str | Path | Balloon
"""What stands for a balloon: its diameter in mm, a TOML file, or itself."""


def read_surface(path: Path | str, *, frame: Frame = "lps", unit: Unit = "mm") -> Surface:
    """Read the triangles of a mesh file, in LPS mm.

    Parameters
    ----------
    path : path
        STL, PLY, OBJ, OFF, VTK or VTP.
    frame : {'lps', 'ras'}
        Of the file's coordinates.
    unit : {'mm', 'cm', 'm', 'um'}
        Of the file's coordinates.

    Returns
    -------
    Surface
        Points (V, 3) and faces (F, 3), as they are in the file.

    Raises
    ------
    InputError
        The file cannot be read, or is no atrium in this unit.

    Examples
    --------
    >>> read_surface(samples / "larkmoor-01.ply")
    Surface(12863 points, 25456 faces, 102.6 x 74.7 x 61.8 mm)
    """
    return read_mesh(Path(path), frame=frame, unit=unit)


def read_volume(
    path: Path | str,
    *,
    labels: Path | str | None = None,
    also: Sequence[Path | str] = (),
    settings: SettingsLike = None,
) -> LumenInput:
    """Read a label volume and surface its blood.

    Parameters
    ----------
    path : path
        NIfTI, NRRD, MetaImage, or, with the extra ``dicom``, a DICOM segmentation.
    labels : path, optional
        Label map (TOML); a volume with one value needs none.
    also : sequence of path
        Further volumes that the same map reads.
    settings : Settings, dict or path, optional
        The defaults where None.

    Returns
    -------
    LumenInput
        The surface of the blood in LPS mm, with what the labels tell of its parts and of the
        septum. Its ``notes`` are what the readers remarked: :func:`find_veins` hands them on.

    Raises
    ------
    InputError
        The volume or the map cannot be used.

    Examples
    --------
    >>> lumen = read_volume(
    ...     samples / "larkmoor-03.nii.gz", labels=samples / "larkmoor-03.labels.toml"
    ... )
    >>> sorted(lumen.hints)
    ['LIPV', 'LSPV', 'RIPV', 'RMPV', 'RSPV', 'appendage', 'left_atrium']
    """
    chosen = settings_of(settings)
    case = read_case(path, labels=labels, also=also, settings=chosen)
    return replace(case.lumen, notes=case.notes, septum_points=case.septum_points)


def find_veins(
    atrium: Any,
    *,
    labels: Path | str | None = None,
    settings: SettingsLike = None,
    frame: Frame = "lps",
    unit: Unit = "mm",
    trust_frame: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Anatomy:
    """Find, name and measure the veins of a left atrium; nothing is seated.

    Parameters
    ----------
    atrium : path, Surface, LumenInput, or mesh of trimesh or pyvista
        A file, or the surface of the blood in memory, in LPS mm.
    labels : path, optional
        Label map, where ``atrium`` is the file of a label volume.
    settings : Settings, dict or path, optional
        The defaults where None.
    frame : {'lps', 'ras'}
        Of a mesh file; of a surface in memory it is only named in messages.
    unit : {'mm', 'cm', 'm', 'um'}
        Of a mesh file.
    trust_frame : bool
        Go on with a warning where the anatomy contradicts the frame.
    progress : callable, optional
        Told the name of each stage as it begins.

    Returns
    -------
    Anatomy
        Veins with ostium, axis, centreline and sections; wall and lumen; where the sheath crosses
        the septum, as labelled or estimated, None where neither can be had. Its ``notes`` are
        those of a case: what the readers remarked, and where the crossing comes from.

    Raises
    ------
    InputError
        This cannot be a left atrium, has no veins, or contradicts its frame.
    TypeError
        ``atrium`` is something else.

    Examples
    --------
    >>> anatomy = find_veins(samples / "larkmoor-01.ply")
    >>> anatomy
    Anatomy(LSPV, LIPV, RSPV, RIPV; 119 ml)
    >>> round(anatomy.vein("LSPV").ostium.measures.d_area_mm)
    18
    >>> find_veins(28)
    Traceback (most recent call last):
    ...
    TypeError: atrium: expected a path, a LumenInput, a Surface, a mesh of trimesh (vertices, \
faces), a triangle mesh of pyvista (points, regular_faces), or a pair of arrays: points (V, 3) in \
mm and faces (F, 3); got a int
    """
    chosen = settings_of(settings)
    if isinstance(atrium, (str, Path)):
        case = read_case(
            atrium,
            labels=labels,
            settings=chosen,
            frame=frame,
            unit=unit,
            trust_frame=trust_frame,
        )
    else:
        lumen = atrium if isinstance(atrium, LumenInput) else _lumen(atrium, trust_frame)
        case = CaseInput(lumen, {}, lumen.notes, septum_points=lumen.septum_points)
    anatomy = find_anatomy(case.lumen, chosen, frame=frame, progress=progress)
    anatomy, about_septum = _with_septum_if_any(anatomy, case)
    return replace(anatomy, notes=verdict_first((*anatomy.notes, *case.notes, about_septum)))


def seat(
    where: Opening | Anatomy | CaseResult,
    balloons: Sequence[BalloonLike] | BalloonLike = STANDARD_SIZES,
    *,
    vein: str | None = None,
    approach: str | None = None,
    settings: SettingsLike = None,
    structures: Mapping[str, Any] | None = None,
    tries: int = 0,
) -> tuple[Fit, ...]:
    """Seat balloons on an opening, or in the veins of an anatomy.

    Parameters
    ----------
    where : Opening, Anatomy or CaseResult
        What the balloons are seated on.
    balloons : sequence of float, path or Balloon
        Diameters in mm, TOML files, or balloons; one alone will do.
    vein : str, optional
        One vein of the anatomy; all where not given.
    approach : {'transseptal', 'coaxial', 'both'}, optional
        How the balloon comes to the vein; transseptal where not given. An opening alone has no
        septum: there it is coaxial.
    settings : Settings, dict or path, optional
        Those of the case where ``where`` is one, else the defaults.
    structures : mapping of str to Surface or (N, 3) array, optional
        What distances are measured to, LPS mm; those of the case where ``where`` is one.
    tries : int
        Chains of tries for probabilities and the aim map, a power of two, in place of the setting
        ``margin.samples``, which only whole cases read; 0 seats each balloon
        once, without any perturbation.

    Returns
    -------
    tuple of Fit
        Vein by vein, balloon by balloon. With tries each has ``margin`` and ``aims``.

    Raises
    ------
    InputError
        A balloon, a setting or the approach cannot be used.
    TypeError, ValueError
        ``where`` is something else; there is no such vein.

    Notes
    -----
    The model is told in ``veinfit/seating/README.md``: equilibrium of push, wall, guide and shaft.

    Examples
    --------
    A ball of 28 mm on a sharp round hole of 18 mm: its equator lies a little less than
    sqrt(14² - 9²) = 10.7 mm before the hole, for the wall gives way.

    >>> import trimesh
    >>> profile = [[9, -20], [9, 0], [40, 0]]
    >>> wall = trimesh.creation.revolve(profile, sections=48)
    >>> hole = Opening.cut(wall, centre=[0, 0, -0.01], axis=[0, 0, -1])
    >>> (fit,) = seat(hole, [28])
    >>> fit
    Fit(vein, 28 mm, coaxial: seated, occluded, sealed)
    >>> round(fit.depth_mm)
    -10
    >>> seat(wall, [28])
    Traceback (most recent call last):
    ...
    TypeError: where: expected an Opening, an Anatomy or a CaseResult; got a Trimesh. An opening \
in a wall of your own is an Opening
    """
    if isinstance(where, CaseResult):
        anatomy = where.anatomy
        settings = where.settings if settings is None else settings
        structures = where.structures if structures is None else structures
    elif isinstance(where, Opening):
        anatomy = where.anatomy()
    elif isinstance(where, Anatomy):
        anatomy = where
    else:
        raise TypeError(
            "where: expected an Opening, an Anatomy or a CaseResult; got a "
            f"{type(where).__name__}. An opening in a wall of your own is an Opening"
        )
    if approach is None:
        approach = "coaxial" if isinstance(where, Opening) else DEFAULT_APPROACH
    elif isinstance(where, Opening) and approach != "coaxial":
        raise InputError(f"approach {approach!r} needs a septum; an opening alone has none")
    chosen = settings_of(settings)
    one = isinstance(balloons, (int, float, str, Path, Balloon))
    listed: Any = [balloons] if one else balloons
    candidates = chosen_balloons(listed)
    # Checked as the setting is that it stands for.
    Settings.from_mapping({"margin": {"samples": tries}}, "tries")
    margin = replace(chosen.margin, samples=tries)
    veins = anatomy.veins if vein is None else (anatomy.vein(vein),)
    near = {name: _structure(name, value) for name, value in (structures or {}).items()}
    fits: list[Fit] = []
    for each in veins:
        fits += seat_vein(
            anatomy,
            each,
            candidates,
            chosen.seating,
            approaches_named(approach),
            near,
            margin if tries else None,
        )
    return tuple(replace(fit, aim_field=None) for fit in fits)


def tables(where: CaseResult | Anatomy, kind: TableKind = "arrow") -> dict[str, Any]:
    """Return the tables of a case, or those of an anatomy alone.

    Parameters
    ----------
    where : CaseResult or Anatomy
        What the tables are of.
    kind : {'arrow', 'pandas'}
        ``pyarrow.Table``, whose columns carry unit and meaning; or ``pandas.DataFrame``, where
        pandas is installed.

    Returns
    -------
    dict
        By name: what the CSV files hold.

    Raises
    ------
    TypeError, ValueError
        ``where`` or ``kind`` is something else.

    Examples
    --------
    >>> tables(result.anatomy)["veins"].column("vein").to_pylist()
    ['LSPV', 'LIPV', 'RSPV', 'RIPV']
    """
    if isinstance(where, CaseResult):
        return where.tables(kind)
    if not isinstance(where, Anatomy):
        raise TypeError(f"where: expected a CaseResult or an Anatomy; got a {type(where).__name__}")
    return as_tables(anatomy_tables(where), kind)


def read_balloon(path: Path | str | float) -> Balloon:
    """Read a balloon file; a diameter in mm gives a sphere that freezes over its front half.

    One that states a range of diameters is seated at both ends of it.

    Parameters
    ----------
    path : path or float
        A TOML file, or the diameter in mm.

    Returns
    -------
    Balloon

    Raises
    ------
    InputError
        The file has faults, all of which are told; or the diameter is not plausible.

    Examples
    --------
    >>> balloon = read_balloon(28)
    >>> balloon.name, balloon.equatorial_mm, balloon.zone_to_deg
    ('28 mm', 28.0, 90.0)
    """
    sizes = chosen_balloons([path])
    return sizes[0] if len(sizes) == 1 else parse_balloon(str(path))


def _with_septum_if_any(anatomy: Anatomy, case: CaseInput) -> tuple[Anatomy, Note]:
    """Return the anatomy with its septal crossing, without one where there is none; and a note.

    Nothing is seated here, and the veins are as good without the crossing.
    """
    try:
        return with_septum(anatomy, case)
    except InputError as error:
        return anatomy, Note("seating", str(error), SEPTAL_CROSSING, "caution")


def _lumen(atrium: Any, trust_frame: bool) -> LumenInput:
    try:
        surface = as_surface(atrium, "atrium")
    except TypeError as error:
        raise TypeError(
            str(error).replace("expected a Surface", "expected a path, a LumenInput, a Surface")
        ) from None
    return LumenInput(surface, trust_frame=trust_frame)


def _structure(name: str, value: Any) -> Any:
    """Return a structure as the seating takes it: a surface, or points (N, 3)."""
    import numpy as np

    if isinstance(value, Surface) or hasattr(value, "faces"):
        return as_surface(value, name)
    points = np.array(value, dtype=float)
    if points.ndim != 2 or points.shape[1] != 3:
        raise ValueError(f"structure {name}: expected a surface or points (N, 3)")
    return points
