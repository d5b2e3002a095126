"""From a lumen to named veins, ostia, sections and measures."""

from veinfit.anatomy.find import detect, find_anatomy, measure

__all__ = ["detect", "find_anatomy", "measure"]
