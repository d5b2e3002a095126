"""The pictures of a case: the overview, and each balloon in its vein."""
