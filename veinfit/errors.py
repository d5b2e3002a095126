"""The one exception that a user's input can cause."""


class InputError(ValueError):
    """Input that cannot be used.

    The message is one line that says what is wrong, where, and what to do;
    the command line prints it as it is and exits with code 2.
    """
