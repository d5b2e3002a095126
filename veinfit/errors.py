"""The one exception that a user's input can cause."""

from __future__ import annotations

LONGEST_WORD = 300
LONGEST_MESSAGE = 2000
"""Signs: a message is a line, whatever the input that it quotes."""


class InputError(ValueError):
    """Input that cannot be used.

    The message is one line that says what is wrong, where, and what to do;
    the command line prints it as it is and exits with code 2. Quoted input is
    made printable and shortened.

    Parameters
    ----------
    message : str

    Examples
    --------
    >>> read_balloon("my-balloon.toml")
    Traceback (most recent call last):
    veinfit.errors.InputError: balloon file my-balloon.toml cannot be read:
        No such file or directory; check the path
    """

    def __init__(self, message: str) -> None:
        line = " ".join(part.strip() for part in message.splitlines())
        line = "".join(c if c.isprintable() else " " if c.isspace() else "?" for c in line)
        line = " ".join(
            word if len(word) <= LONGEST_WORD or "/" in word else f"{word[:LONGEST_WORD]}…"
            for word in line.split(" ")
        )
        if len(line) > LONGEST_MESSAGE:
            half = LONGEST_MESSAGE // 2
            line = f"{line[:half]} … {line[-half:]}"
        super().__init__(line)
