"""The 3D view of a case, a page of its own."""
