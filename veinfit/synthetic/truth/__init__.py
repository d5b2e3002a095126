"""What is true of an invented atrium, read off its implicit functions."""
