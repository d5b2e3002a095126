"""From a lumen to named veins, ostia, sections and measures."""

from veinfit.anatomy.find import find_anatomy

__all__ = ["find_anatomy"]
