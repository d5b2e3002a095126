"""A balloon that grows where it lies: from one size to the next, and when freezing starts."""
