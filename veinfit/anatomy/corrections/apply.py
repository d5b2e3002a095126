"""Corrections by hand: names, veins, and ostia that somebody set otherwise.

They start from what was found automatically and change no more than what they
name: every other vein is taken over as it was measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from veinfit.anatomy.corrections.added_vein import steadied, with_part
from veinfit.anatomy.corrections.hand_set import described_move, hand_set_ostium, moved_plane
from veinfit.anatomy.detection import Detection
from veinfit.anatomy.find import (
    Progress,
    detect,
    measure,
)
from veinfit.anatomy.lumen_input import LumenInput
from veinfit.anatomy.model import Anatomy, AppliedCorrection, Vein
from veinfit.anatomy.wall_opening import open_lumen
from veinfit.errors import InputError
from veinfit.frames import Frame
from veinfit.notes import Note
from veinfit.settings import Settings
from veinfit.vectors import FloatArray
from veinfit.vein_names import APPENDAGE, MITRAL, TRUNK_BRANCHES

STAGE = "corrections"
"""The stage that these notes speak for."""

CERTAIN_NAME = 1.0
"""Confidence of a name that somebody gave: nobody here knows better."""


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """One entry of a corrections file, LPS mm.

    Attributes
    ----------
    vein : str
        Name in the automatic result, or of the vein to add.
    who, why : str
        Who corrects it, and why.
    rename : str
        The new name; empty to keep it.
    drop : bool
        It is no vein.
    add_at : (3,) array or None
        A point in the lumen of a vein that was missed, toward its far end.
    centre, normal : (3,) array or None
        The ostial plane; the normal points into the vein.
    shift_mm : float
        Moves the automatic ostium along the centreline, positive into the vein.
    tilt_deg, tilt_toward_h : float
        Turns its normal by an angle toward a clock position.
    """

    vein: str
    who: str
    why: str
    rename: str = ""
    drop: bool = False
    add_at: FloatArray | None = None
    centre: FloatArray | None = None
    normal: FloatArray | None = None
    shift_mm: float = 0.0
    tilt_deg: float = 0.0
    tilt_toward_h: float = 0.0

    @property
    def sets_ostium(self) -> bool:
        """Whether it gives the ostial plane, or moves the automatic one."""
        return self.centre is not None or self.shift_mm != 0.0 or self.tilt_deg != 0.0

    @property
    def names_vein(self) -> bool:
        """Whether it gives a name."""
        return bool(self.rename) or self.add_at is not None


def find_corrected(
    lumen_input: LumenInput,
    settings: Settings,
    frame: Frame = "lps",
    progress: Progress | None = None,
    corrections: Sequence[Correction] = (),
) -> Anatomy:
    """Find and measure the veins as :func:`find_anatomy` does, and correct what was found.

    Parameters
    ----------
    lumen_input : LumenInput
    settings : Settings
    frame : {'lps', 'ras'}
        The frame the file was stated to be in; only named in messages.
    progress : callable, optional
        Told the name of each stage as it begins.
    corrections : sequence of Correction
        Carried out in their order.

    Returns
    -------
    Anatomy
        With the corrections and what they changed.

    Raises
    ------
    InputError
        As :func:`find_anatomy`, or a correction cannot be carried out.
    """
    tell = progress or (lambda stage: None)
    found = detect(lumen_input, settings, frame, tell)
    tell("measures")
    automatic = measure(found)
    tell("corrections")
    return correct(found, automatic, corrections)


def correct(
    found: Detection,
    automatic: Anatomy,
    corrections: Sequence[Correction],
    ridges: bool = True,
    added: dict[object, Detection] | None = None,
) -> Anatomy:
    """Apply corrections to an anatomy that was found automatically.

    Parameters
    ----------
    found : Detection
    automatic : Anatomy
        What was measured of it.
    corrections : sequence of Correction
        Names are those of the automatic result, whatever their order.
    ridges : bool
        Whether to measure the ridges between ostia too, which takes half of the time.
    added : dict, optional
        Of whoever corrects the same ``found`` again and again: holds what was found with the
        veins added that were asked for last, so that a drag of another vein waits for none.

    Returns
    -------
    Anatomy
        With ``corrections`` filled in. Veins that no correction names are those
        of ``automatic``, unchanged.

    Raises
    ------
    InputError
        A correction names no vein that was found, contradicts another, gives two
        veins one name, or sets a plane that does not cut its vein.
    """
    if not corrections:
        return automatic
    _check(found, corrections)
    before = {vein.name: vein for vein in automatic.veins}
    names = _new_names(found, corrections)
    changed = _with_roles(found, corrections, names, {} if added is None else added)
    changed, touched = _with_ostia(changed, before, names, corrections)
    # A dropped vein's end stays cut: the wall is then the same, vertex by vertex.
    if _blind_veins(changed) - _blind_veins(found):
        opened = open_lumen(
            changed.lumen, changed.branches, changed.candidates, changed.naming, changed.roles
        )
        changed = replace(changed, opened=opened)
    kept = {
        new: before[old] if new == old else _renamed(before[old], new)
        for old, new in names.items()
        if old in before and new not in touched
    }
    anatomy = _without_dropped_ends(measure(changed, kept, ridges), automatic)
    named = {c.rename or c.vein for c in corrections if c.rename or c.add_at is not None}
    after = {vein.name: vein for vein in anatomy.veins}
    whats = [_what(c, before.get(c.vein), after.get(_new_name(c, names))) for c in corrections]
    notes = [
        Note(STAGE, f"{what} ({c.who}: {c.why})", _new_name(c, names) or c.vein)
        for c, what in zip(corrections, whats, strict=True)
    ]
    found_as = {new: old for old, new in names.items() if old != new}
    veins = tuple(
        replace(_told(vein, vein.name in named, notes), found_as=found_as.get(vein.name, ""))
        for vein in anatomy.veins
    )
    final = {vein.name: vein for vein in veins}
    applied = tuple(
        AppliedCorrection(
            vein=c.vein,
            what=what,
            who=c.who,
            why=c.why,
            automatic=None if c.add_at is not None else before.get(c.vein),
            corrected=final.get(_new_name(c, names)),
        )
        for c, what in zip(corrections, whats, strict=True)
    )
    dropped = {c.vein for c in corrections if c.drop}
    of_veins = {note for vein in anatomy.veins for note in vein.notes}
    case_notes = [
        note
        for note in anatomy.notes
        if note not in of_veins and note.subject not in dropped - set(final)
    ]
    case_notes += [note for note in notes if note.subject not in final]
    case_notes += [note for vein in veins for note in vein.notes]
    return replace(
        anatomy,
        veins=veins,
        notes=tuple(case_notes),
        corrections=applied,
        found_places=automatic.places(),
    )


def _without_dropped_ends(anatomy: Anatomy, automatic: Anatomy) -> Anatomy:
    """Count no end of a dropped vein among the openings that need a reader's care."""
    if anatomy.verdict is None or automatic.verdict is None:
        return anatomy
    open_before = automatic.verdict.holes_open
    verdict = replace(anatomy.verdict, holes_open=min(anatomy.verdict.holes_open, open_before))
    old = anatomy.verdict.note
    notes = tuple(verdict.note if note == old else note for note in anatomy.notes)
    return replace(anatomy, verdict=verdict, notes=notes)


def _check(found: Detection, corrections: Sequence[Correction]) -> None:
    """Raise InputError for names that do not exist and for entries that contradict another."""
    known = [*found.vein_names, *([APPENDAGE] if APPENDAGE in found.roles else [])]
    faults: list[str] = []
    for correction in corrections:
        name = correction.vein
        if correction.add_at is None and name not in known:
            faults.append(f"{name} is no vein of this case; found were {', '.join(known)}")
        elif name == APPENDAGE and not correction.rename:
            faults.append(f"{APPENDAGE} can be renamed to a vein, and nothing else")
    for what, chosen in (
        ("is renamed", [c for c in corrections if c.rename]),
        ("is dropped", [c for c in corrections if c.drop]),
        ("is added", [c for c in corrections if c.add_at is not None]),
        ("has its ostium set", [c for c in corrections if c.add_at is None and c.sets_ostium]),
    ):
        names = [c.vein for c in chosen]
        faults += [f"{n} {what} twice" for n in dict.fromkeys(names) if names.count(n) > 1]
    dropped = {c.vein for c in corrections if c.drop}
    faults += [
        f"{c.vein} is dropped and corrected; leave one of the two out"
        for c in corrections
        if not c.drop and c.add_at is None and c.vein in dropped
    ]
    if faults:
        raise InputError(f"corrections: {'; '.join(dict.fromkeys(faults))}")


def _new_names(found: Detection, corrections: Sequence[Correction]) -> dict[str, str]:
    """Return the new name of each vein, and of the appendage, that is not dropped."""
    renamed = {c.vein: c.rename for c in corrections if c.rename}
    dropped = {c.vein for c in corrections if c.drop}
    names = {
        name: renamed.get(name, name)
        for name in (*found.vein_names, APPENDAGE)
        if name in found.roles and name not in dropped
    }
    given = [*names.values(), *(c.vein for c in corrections if c.add_at is not None)]
    twice = [name for name in dict.fromkeys(given) if given.count(name) > 1]
    if twice:
        raise InputError(
            f"corrections: {', '.join(twice)} would be the name of two veins; rename or drop one"
        )
    return names


def _new_name(correction: Correction, names: Mapping[str, str]) -> str:
    """Return what a corrected vein is called now; empty for one that was dropped."""
    if correction.add_at is not None:
        return correction.vein
    return "" if correction.drop else names[correction.vein]


def _with_roles(
    found: Detection,
    corrections: Sequence[Correction],
    names: Mapping[str, str],
    added: dict[object, Detection],
) -> Detection:
    """Rename, drop and add."""
    roles = {new: found.roles[old] for old, new in names.items()}
    if MITRAL in found.roles:
        roles[MITRAL] = found.roles[MITRAL]
    points = {c.vein: c.add_at for c in corrections if c.add_at is not None}
    asked = tuple((name, tuple(point.tolist())) for name, point in points.items())
    unset = {c.vein for c in corrections if c.add_at is not None and not c.sets_ostium}
    key = (tuple(roles.items()), asked, frozenset(unset))
    if (changed := added.get(key)) is None:
        changed = _with_added(replace(found, roles=roles), found, points, unset)
        added.clear()
        added[key] = changed
    automatic = found.naming.confidence
    confidence = {new: automatic[old] for old, new in names.items() if old in automatic}
    confidence |= {c.rename or c.vein: CERTAIN_NAME for c in corrections if c.names_vein}
    if MITRAL in automatic:
        confidence[MITRAL] = automatic[MITRAL]
    naming = replace(found.naming, roles=changed.roles, confidence=confidence)
    return replace(changed, naming=naming)


def _with_added(
    changed: Detection, found: Detection, points: Mapping[str, FloatArray], unset: set[str]
) -> Detection:
    """Add veins, and steady the ostia of those, ``unset``, that nobody has set by hand."""
    for name, point in points.items():
        changed = with_part(changed, name, point)
    # What was a vein before already lies where its ostium was steadied.
    known = set(found.roles.values())
    return steadied(changed, {name for name in unset if changed.roles[name] not in known})


def _with_ostia(
    found: Detection,
    before: Mapping[str, Vein],
    names: Mapping[str, str],
    corrections: Sequence[Correction],
) -> tuple[Detection, set[str]]:
    """Set the ostia; also return the names of the veins that are to be measured anew."""
    candidates = list(found.candidates)
    touched: set[str] = set()
    for correction in corrections:
        name = _new_name(correction, names)
        if not name or name == APPENDAGE:
            continue
        if correction.add_at is not None or correction.vein not in before:
            touched.add(name)
        if not correction.sets_ostium:
            continue
        index = found.roles[name]
        centre, normal = _plane(correction, before)
        others = [candidates[k] for role, k in found.roles.items() if role != name]
        ostium = hand_set_ostium(name, candidates[index], centre, normal, others)
        candidates[index] = replace(candidates[index], ostium=ostium, reason="", notes=())
        touched.add(name)
    return replace(found, candidates=tuple(candidates)), touched


def _plane(correction: Correction, before: Mapping[str, Vein]) -> tuple[FloatArray, FloatArray]:
    if correction.centre is not None and correction.normal is not None:
        return correction.centre, correction.normal
    vein = before.get(correction.vein)
    if vein is None or correction.add_at is not None:
        raise InputError(
            f"corrections: {correction.vein} has no automatic ostium to move; set it by centre_mm "
            "and normal"
        )
    return moved_plane(vein, correction.shift_mm, correction.tilt_deg, correction.tilt_toward_h)


def _blind_veins(found: Detection) -> set[int]:
    """Branches whose blind end is cut because a vein ends there."""
    return {
        member
        for name in found.vein_names
        for member in found.candidates[found.roles[name]].members
        if found.branches.branches[member].opening is None
    }


def _renamed(vein: Vein, name: str) -> Vein:
    """Return a vein under another name, its measures untouched."""
    branches = tuple(f"{name}-branch-{k + 1}" for k in range(len(vein.branches)))
    if name in TRUNK_BRANCHES and len(branches) == 2:
        branches = TRUNK_BRANCHES[name]
    notes = tuple(replace(note, subject=name) for note in vein.notes)
    return replace(vein, name=name, name_confidence=CERTAIN_NAME, branches=branches, notes=notes)


def _told(vein: Vein, named: bool, notes: Sequence[Note]) -> Vein:
    """Add what was corrected to a vein's notes; a name that was given is no longer in doubt."""
    own = [note for note in notes if note.subject == vein.name]
    if not own:
        return vein
    rest = [note for note in vein.notes if not (named and note.stage == "names")]
    confidence = CERTAIN_NAME if named else vein.name_confidence
    return replace(vein, name_confidence=confidence, notes=(*own, *rest))


def _what(correction: Correction, before: Vein | None, after: Vein | None) -> str:
    """Say what a correction did."""
    said = []
    if correction.drop:
        return "dropped: it is no vein"
    if correction.add_at is not None:
        said.append("added from a point inside it")
    if correction.rename:
        said.append(f"renamed from {correction.vein} to {correction.rename}")
    if correction.sets_ostium and after is not None:
        how = "ostium moved" if correction.centre is None else "ostium set"
        old = None if correction.add_at is not None or before is None else before.ostium
        said.append(how if old is None else f"{how} {described_move(old, after.ostium)}")
    return ", ".join(said) or "left as it is"
