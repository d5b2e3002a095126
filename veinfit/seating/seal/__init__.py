"""What a balloon at rest touches and closes: gap, contact, leaks, clock, depth."""
