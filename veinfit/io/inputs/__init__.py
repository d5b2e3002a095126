"""Readers: one input a module."""
