"""Looking a case over by hand: a page on this machine alone that writes a corrections file."""
