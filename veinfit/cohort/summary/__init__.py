"""A cohort summed up: its rows as arrays, the figures, plots of them, one page."""
