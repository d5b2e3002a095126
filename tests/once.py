"""Files that take long to make and are made once for all processes of a test run."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

PATIENCE_S = 600.0


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return a copy of a folder that the first process to ask fills by ``make(folder)``."""
    shared = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        shared = shared.parent  # each process has a folder of its own below that of the run
    whole, claimed = shared / f"{name}-whole", shared / f"{name}-claimed"
    try:
        claimed.mkdir()
    except FileExistsError:
        until = time.monotonic() + PATIENCE_S
        while not whole.exists():
            if (claimed / "failed").exists() or time.monotonic() > until:
                pytest.fail(f"the process that began {name} did not end it")
            time.sleep(0.1)
    else:
        try:
            make(claimed)
        except BaseException:
            (claimed / "failed").touch()
            raise
        claimed.rename(whole)
        claimed.mkdir()  # taken for good
    own = factory.mktemp(name)
    shutil.copytree(whole, own, symlinks=True, dirs_exist_ok=True)
    return own
