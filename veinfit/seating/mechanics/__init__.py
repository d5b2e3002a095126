"""Mechanics: a balloon against a wall that gives way, and where it comes to rest."""
