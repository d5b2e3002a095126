"""Takes enhanced multi-frame images apart [1]_: what each of their frames shows, and where.

References
----------
.. [1] DICOM PS3.3, C.7.6.16 (Multi-frame Functional Groups), A.36 (Enhanced MR), A.38 (Enhanced CT)
"""

from __future__ import annotations

from typing import Any

from veinfit.io.dicom.common import LABEL_MAP_SEGMENTATION, SEGMENTATION

PLACED_BY = (
    ("PlanePositionSequence", "ImagePositionPatient"),
    ("PlaneOrientationSequence", "ImageOrientationPatient"),
    ("PixelMeasuresSequence", "PixelSpacing"),
)
"""Functional groups without which a frame lies nowhere, and what of them counts."""

MEANT_BY = ("RescaleSlope", "RescaleIntercept")
"""Of the pixel value transformation, which an image may lack."""

OF_ALL_FRAMES = ("SeriesInstanceUID", "FrameOfReferenceUID", "Rows", "Columns")


def is_multi_frame(ds: Any) -> bool:
    """Tell whether a data set is an image of many frames that says of each where it lies.

    Parameters
    ----------
    ds : pydicom.Dataset

    Returns
    -------
    bool
    """
    kind = str(ds.get("SOPClassUID", ""))
    return "PerFrameFunctionalGroupsSequence" in ds and kind not in (
        SEGMENTATION,
        LABEL_MAP_SEGMENTATION,
    )


def frame_headers(ds: Any) -> list[Any]:
    """Return of each frame, in the order of the pixels, what the header of a single slice holds.

    A functional group stands with the frame, or once for all frames.

    Raises
    ------
    ValueError
        A frame does not say where it lies.
    """
    from pydicom.dataset import Dataset

    shared = (ds.get("SharedFunctionalGroupsSequence") or [Dataset()])[0]
    found = []
    for number, frame in enumerate(ds.PerFrameFunctionalGroupsSequence, 1):
        header = Dataset()
        for keyword in OF_ALL_FRAMES:
            if keyword in ds:
                setattr(header, keyword, ds.get(keyword))
        for group, keyword in PLACED_BY:
            items = frame.get(group) or shared.get(group) or [Dataset()]
            if items[0].get(keyword) is None:
                raise ValueError(f"frame {number} has no {keyword}")
            setattr(header, keyword, items[0].get(keyword))
        group = "PixelValueTransformationSequence"
        for keyword in MEANT_BY:
            items = frame.get(group) or shared.get(group) or [ds]
            if items[0].get(keyword) is not None:
                setattr(header, keyword, items[0].get(keyword))
        found.append(header)
    return found
