"""Tables as spreadsheets save them: whatever the separator, the decimal sign and the encoding."""

from __future__ import annotations

import codecs
import csv
import math

from veinfit.errors import InputError

SEPARATORS = ",;\t"
"""Comma, and what a spreadsheet writes in its place where the decimal sign is a comma."""

WIDE = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
"""Byte-order marks of a spreadsheet's "Unicode text"."""


def decoded(content: bytes, source: str) -> str:
    """Return the text of a table, with or without a byte-order mark.

    Parameters
    ----------
    content : bytes
        Of the file.
    source : str
        What the file is called in messages.

    Returns
    -------
    str

    Raises
    ------
    InputError
        It is no text; ``source`` names the file.
    """
    encoding = WIDE.get(content[:2], "utf-8-sig")
    try:
        text = content.decode(encoding).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise InputError(f"{source}: is not UTF-8 text; save it as CSV UTF-8") from error
    if "\0" in text:
        raise InputError(f"{source}: is not text; save it as CSV UTF-8")
    return text


def comment(line: str) -> str | None:
    """Return a comment with its sign; None where a line is none.

    Spreadsheets put one that holds a separator or a quotation mark into quotation marks, and
    fill its row up to the width of the table.

    Parameters
    ----------
    line : str

    Returns
    -------
    str or None
    """
    text = line.strip()
    return text.strip('"').rstrip(SEPARATORS + '" ') if text.startswith(("#", '"#')) else None


def separator_of(header: str) -> str:
    """Return the sign that stands most often in a header; a comma where none does.

    Parameters
    ----------
    header : str
        The first line of a table.

    Returns
    -------
    str
    """
    return max(SEPARATORS, key=header.count)


def cells(line: str, separator: str) -> list[str]:
    """Return the cells of a row, blanks around them taken off.

    Raises
    ------
    ValueError
        It is no row, as one cell of it has more signs than a book.
    """
    read = csv.reader([line], delimiter=separator, skipinitialspace=True)
    try:
        return [cell.strip() for cell in next(read, [])]
    except csv.Error as error:
        raise ValueError(f"it is no row of a table ({error}); correct it") from error


def header_cells(line: str, separator: str, where: str) -> list[str]:
    """Return the cells of the first row in lower case, or raise InputError."""
    try:
        return [name.lower() for name in cells(line, separator)]
    except ValueError as error:
        raise InputError(f"{where}: {error}") from error


def as_number(text: str, separator: str) -> float:
    """Return a number, NaN where it is none; a decimal comma counts where it parts no columns."""
    if separator != "," and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        return float(text)
    except ValueError:
        return math.nan
