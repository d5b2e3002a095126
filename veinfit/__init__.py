"""Predicts how cryoballoons of candidate diameters would seat in the pulmonary veins."""

from importlib.metadata import version

__version__ = version("veinfit")
