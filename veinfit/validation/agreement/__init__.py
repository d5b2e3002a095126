"""Prediction against observation: joined, measured, held together, written as a page."""
