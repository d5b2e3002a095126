"""Exit codes of the commands."""

EXIT_DONE = 0
EXIT_BAD_INPUT = 2
EXIT_SOME_FAILED = 3
EXIT_INTERNAL_ERROR = 1
"""A fault of the program, as an exception that Python itself reports."""
EXIT_INTERRUPTED = 130
"""128 + SIGINT, as shells report it."""
EXIT_READER_GONE = 141
"""128 + SIGPIPE, as shells report it."""
