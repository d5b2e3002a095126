"""Validation: what is predicted held against what practice sees."""
