"""What holds for every report and every picture."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "A planning aid for research and preparation; not a medical device.",
    "Results depend on the segmentation and on the cardiac phase of the image.",
    "Decisions rest with the licensed physician and local rules.",
)
"""On reports and pages."""

PICTURE_CAUTION = (
    "Planning aid, not a medical device. Depends on segmentation and cardiac phase. "
    "Decisions rest with the licensed physician and local rules."
)
"""On a picture, which may be shown without its report."""
