"""Flat and solid drawing: cameras, layers, labels, plots, and two renderers."""
