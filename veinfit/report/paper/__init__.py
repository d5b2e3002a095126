"""The report on paper: a tagged PDF."""
