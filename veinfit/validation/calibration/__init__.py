"""Fitting what no image tells (push, springs, tolerance, scatter) to what was observed."""
