"""The parameters of an invented atrium."""
