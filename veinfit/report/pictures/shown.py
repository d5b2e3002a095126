"""Pictures as they are shown: their titles, and their files' content."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from veinfit.report.model import Picture, Report
from veinfit.report.wording import balloon_title

EMBEDDED_QUALITY = 90
"""Quality, of 100, of the pictures inside the page: no loss that can be seen at their size."""

METHOD = 0
"""How hard the pictures inside the page are pressed, of 6: a third of the time of 4 for an eighth
more room, and no less like the pictures."""


@dataclass(frozen=True, slots=True)
class ShownPicture:
    """A picture, its title, and its file's content; None where the file is missing."""

    picture: Picture
    title: str
    content: bytes | None

    @property
    def source(self) -> str:
        """The picture as a data address; empty where the file is missing."""
        if self.content is None:
            return ""
        kind, content = "webp", self.picture.page
        if not content:
            kind, content = _smaller(self.content)
        return f"data:image/{kind};base64,{base64.b64encode(content).decode('ascii')}"


def shown_pictures(report: Report, pictures: Sequence[Picture]) -> tuple[ShownPicture, ...]:
    """Return pictures with their titles and contents."""
    fits = {(fit.vein, fit.balloon, str(fit.approach)): fit for fit in report.result.fits}
    shown = []
    for picture in pictures:
        fit = fits.get((picture.vein, picture.balloon, picture.approach))
        title = picture.balloon if fit is None else f"{balloon_title(fit)}, {fit.approach}"
        shown.append(ShownPicture(picture, title, _content(report, picture)))
    return tuple(shown)


def _content(report: Report, picture: Picture) -> bytes | None:
    if report.folder is None:
        return None
    try:
        return (report.folder / picture.file).read_bytes()
    except (OSError, ValueError):  # the latter for a name that no file can have
        return None


def _smaller(png: bytes) -> tuple[str, bytes]:
    """Return a picture in the format that takes a quarter of the room, where it can be had.

    The files beside the report stay as they are, without loss.
    """
    from PIL import Image

    with Image.open(io.BytesIO(png)) as image:
        content = for_page(np.asarray(image.convert("RGB")))
    return ("webp", content) if content else ("png", png)


def for_page(pixels: np.ndarray) -> bytes:
    """Return (H, W, 3) uint8 pixels as WebP; nothing where the library was built without it."""
    from PIL import Image, features

    if not features.check("webp"):
        return b""
    stream = io.BytesIO()
    picture = Image.fromarray(pixels)
    picture.save(stream, format="WEBP", quality=EMBEDDED_QUALITY, method=METHOD)
    return stream.getvalue()
