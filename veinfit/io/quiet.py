"""Keeps the words of libraries off the terminal, and hands them to the reader instead."""

from __future__ import annotations

import logging
import os
import sys
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

STDERR = 2


@contextmanager
def captured_warnings() -> Iterator[None]:
    """Silence Python warnings and logs: some libraries log to the terminal by themselves."""
    before = logging.root.manager.disable
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        logging.disable(logging.CRITICAL)
        try:
            yield
        finally:
            logging.disable(before)


@contextmanager
def captured_stderr() -> Iterator[list[str]]:
    """Catch what compiled libraries print on the standard error stream.

    Yields
    ------
    list of str
        Filled with the lines caught when the block ends.
    """
    lines: list[str] = []
    try:
        saved = os.dup(STDERR)
    except OSError:
        # Without a standard error stream there is nothing to keep clean.
        yield lines
        return
    with tempfile.TemporaryFile() as caught:
        with suppress(AttributeError, ValueError, OSError):
            sys.stderr.flush()
        os.dup2(caught.fileno(), STDERR)
        try:
            yield lines
        finally:
            os.dup2(saved, STDERR)
            os.close(saved)
            caught.seek(0)
            text = caught.read().decode(errors="replace")
            lines += [line.strip() for line in text.splitlines() if line.strip()]


@contextmanager
def captured_vtk() -> Iterator[list[str]]:
    """Catch the errors of VTK, which it prints rather than raises.

    Yields
    ------
    list of str
        Filled with one line an error when the block ends; empty when all went well.
    """
    from vtkmodules.vtkCommonCore import vtkOutputWindow, vtkStringOutputWindow

    errors: list[str] = []
    before = vtkOutputWindow.GetInstance()
    window = vtkStringOutputWindow()
    vtkOutputWindow.SetInstance(window)
    try:
        # VTK also writes to its own log, which goes past the window to the stream.
        with captured_stderr():
            yield errors
    finally:
        vtkOutputWindow.SetInstance(before)
        errors += _vtk_errors(window)


def _vtk_errors(window: Any) -> list[str]:
    """Return the messages, without place and object, of what VTK calls an error."""
    try:
        caught = window.GetOutput() or ""
    except UnicodeDecodeError:
        return ["it holds bytes that are no text where text is expected"]
    # VTK hands over bytes where the message quotes some that are no text.
    text = caught.decode(errors="replace") if isinstance(caught, bytes) else caught
    errors, lines = [], text.splitlines()
    for k, line in enumerate(lines):
        if line.startswith("ERROR"):
            body = next((rest for rest in lines[k + 1 :] if rest.strip()), line)
            errors.append(body.split("): ", 1)[-1].strip())
    return errors
