"""One picture of one fit, as a value that a notebook shows."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from veinfit.anatomy.model import Anatomy
from veinfit.errors import InputError
from veinfit.io.results.output import write_file
from veinfit.notes import Note
from veinfit.report.charts.aims import aim_charts, aim_key
from veinfit.report.charts.standing_alone import with_caution
from veinfit.report.colours import gap_bands
from veinfit.report.pictures.asked import AIM_VIEW, TURN_FRAMES
from veinfit.report.pictures.one_view import (
    Drawn,
    Style,
    check_size,
    draw_growing,
    draw_still,
    draw_turning,
)
from veinfit.report.render.look import parse_look
from veinfit.result.case_result import CaseResult
from veinfit.seating.balloon import Balloon
from veinfit.seating.growth.in_place import grown_fits
from veinfit.seating.model import Fit
from veinfit.seating.opening import Opening
from veinfit.settings import SeatingSettings

Motion = Literal["none", "turn", "growth"]


@dataclass(frozen=True, slots=True)
class FitPicture:
    """A picture of one balloon in one vein; a notebook shows it.

    Attributes
    ----------
    content : bytes
        Of the file.
    kind : {'png', 'gif', 'svg'}
    caption : str
    notes : tuple of Note
        How it came about, where that was not the usual way.
    """

    content: bytes
    kind: Literal["png", "gif", "svg"]
    caption: str
    notes: tuple[Note, ...] = ()

    def __repr__(self) -> str:
        return f"FitPicture({self.kind}, {len(self.content)} bytes: {self.caption})"

    def save(self, path: Path | str) -> Path:
        """Write the picture into a file; its name should end in ``.`` and :attr:`kind`.

        Raises
        ------
        InputError
            The file cannot be written.
        """
        target = Path(path)
        write_file(target, self.content)
        return target

    def _repr_mimebundle_(self, **_: object) -> dict[str, str | bytes]:
        mime = {"png": "image/png", "gif": "image/gif", "svg": "image/svg+xml"}[self.kind]
        content = self.content.decode() if self.kind == "svg" else self.content
        return {mime: content, "text/plain": repr(self)}


def picture(
    where: CaseResult | Anatomy | Opening,
    fit: Fit,
    *,
    view: str = "side",
    motion: Motion = "none",
    size_px: tuple[int, int] = (1200, 900),
    dark: bool = False,
    cutaway: bool = True,
    scale_bar: bool = True,
    frames: int = TURN_FRAMES,
) -> FitPicture:
    """Draw one balloon in one vein.

    Parameters
    ----------
    where : CaseResult, Anatomy or Opening
        What the fit was seated on.
    fit : Fit
        Such as ``result.fit("LSPV", 28)``, or one that :func:`seat` returned.
    view : str
        ``axis``, ``side``, ``AP``, ``PA``, ``left lateral``, ``right lateral``,
        ``from the head``, ``from the feet``, angles such as ``LAO45 cranial20``; or ``aim``, the
        map of shaft directions.
    motion : {'none', 'turn', 'growth'}
        ``turn`` makes a GIF that turns once about the patient's long axis, ``growth`` one in
        which the balloon grows in place to the next size.
    size_px : tuple of int
        Width and height.
    dark, cutaway, scale_bar : bool
        Dark ground; near wall cut away; scale bar.
    frames : int
        Of one turn, 8 to 120.

    Returns
    -------
    FitPicture

    Raises
    ------
    InputError
        No such view, no size that can be drawn, no aim map, or no growth.
    TypeError
        ``where`` or ``fit`` is something else.

    Examples
    --------
    >>> drawn = picture(result, result.fit("LSPV", 28), view="aim")
    >>> drawn.kind, drawn.content[:4]
    ('svg', b'<svg')
    """
    if not isinstance(fit, Fit):
        raise TypeError(f"fit: expected a Fit, such as result.fit('LSPV', 28); got {_kind(fit)}")
    seating = SeatingSettings()
    balloons: tuple[Balloon, ...] = ()
    if isinstance(where, CaseResult):
        anatomy, seating, balloons = where.anatomy, where.settings.seating, where.balloons
    elif isinstance(where, Opening):
        anatomy = where.anatomy()
    elif isinstance(where, Anatomy):
        anatomy = where
    else:
        raise TypeError(
            f"where: expected a CaseResult, an Anatomy or an Opening; got {_kind(where)}"
        )
    if view.strip().lower() == AIM_VIEW:
        return _picture("svg", _aim_map(anatomy, fit, seating))
    look = parse_look(view)
    check_size(size_px)
    if not 8 <= frames <= 120:
        raise InputError(f"frames {frames} is out of range: 8 to 120")
    style = Style(
        size_px=size_px,
        dark=dark,
        cutaway=cutaway,
        scale_bar=scale_bar,
        contact_tolerance_mm=seating.contact_tolerance_mm,
    )
    others = (
        [f for f in where.fits if f.vein == fit.vein] if isinstance(where, CaseResult) else [fit]
    )
    if motion == "growth":
        balloon = next((one for one in balloons if one.name == fit.balloon), None)
        if balloon is None or fit.growth is None:
            raise InputError(
                f"{fit.vein} {fit.balloon} has no growth in place: it has no seat, no larger size "
                "was tried, or seating.growth_in_place is off"
            )
        grown = grown_fits(anatomy, fit, balloon, seating)
        return _picture("gif", draw_growing(anatomy, grown, look, style))
    if motion == "turn":
        return _picture("gif", draw_turning(anatomy, fit, others, look, style, frames))
    return _picture("png", draw_still(anatomy, fit, others, look, style))


def _picture(kind: Literal["png", "gif", "svg"], drawn: Drawn) -> FitPicture:
    return FitPicture(drawn.content, kind, drawn.caption, drawn.notes)


def _aim_map(anatomy: Anatomy, fit: Fit, seating: SeatingSettings) -> Drawn:
    vein = next(v for v in anatomy.veins if v.name == fit.vein)
    bands = gap_bands(seating.contact_tolerance_mm)
    charts = aim_charts(vein, [fit], bands)
    if not charts:
        raise InputError(f"{fit.vein} {fit.balloon} has no aim map; assess the case again")
    ((_, drawing),) = charts
    return Drawn(with_caution(drawing).file.encode(), f"{drawing.alt} {aim_key(bands)}")


def _kind(value: object) -> str:
    return f"a {type(value).__name__}"
