"""Writers of a case's results, and their archive."""
