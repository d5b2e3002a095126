"""The report of a case: what is told, its words, drawings, pages, paper and 3D view."""
