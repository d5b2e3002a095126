"""``cohort``: many cases, a command a module."""
