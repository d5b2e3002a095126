"""Drawings a little smaller, where that saves a page that would hold a line or two."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from reportlab.platypus import Flowable

from veinfit.report.paper.tagged import Figures, Text

SHARES = (1.0, 0.94, 0.88, 0.82)
"""Widths of drawings that are tried, of what there is room for: their writing keeps its size, so
smaller ones would have words that meet."""


def fitted(
    make: Callable[[float], list[Flowable]],
    width: float,
    height: float,
    before: Sequence[Flowable] = (),
) -> list[Flowable]:
    """Return blocks with the largest drawings that take the fewest pages.

    Parameters
    ----------
    make : callable
        Returns the blocks, with drawings of a share of their greatest width.
    width, height : float
        Of the page inside its margins, points.
    before : sequence of Flowable, optional
        What stands before them, from the head of a page on.
    """
    blocks = make(SHARES[0])
    most = fewest = pages([*before, *blocks], width, height)
    if most > 1:
        for share in SHARES[1:]:
            tried = make(share)
            count = pages([*before, *tried], width, height)
            if count < fewest:
                blocks, fewest = tried, count
    return blocks


def pages(blocks: Sequence[Flowable], width: float, height: float) -> int:
    """Return how many pages blocks take: text and tables are broken, all else moves on."""
    count, used, left = 1, 0.0, list(reversed(blocks))
    while left:
        block = left.pop()
        high = block.wrap(width, height)[1]
        if used + high <= height:
            used += high
            continue
        parts = block.split(width, height - used) if isinstance(block, Text | Figures) else []
        if len(parts) > 1:
            left += reversed(parts[1:])
        elif used > 0.0:
            left.append(block)
        count, used = count + 1, 0.0
    return count
