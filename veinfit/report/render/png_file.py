"""Pictures as PNG."""

from __future__ import annotations

import io

import numpy as np

LEVEL = 4
"""How hard pixels are compressed, of 9."""


def png_file(pixels: np.ndarray, pixels_an_inch: int) -> bytes:
    """Return pixels as the content of a file: the same bytes for the same pixels.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 array
    pixels_an_inch : int

    Returns
    -------
    bytes
    """
    from PIL import Image

    stream, dpi = io.BytesIO(), (pixels_an_inch, pixels_an_inch)
    Image.fromarray(pixels).save(stream, "PNG", dpi=dpi, compress_level=LEVEL)
    return stream.getvalue()
