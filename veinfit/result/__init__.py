"""A case as one value: what was found, seated and worked out, and its tables."""
