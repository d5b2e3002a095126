"""What a PDF says and where, by the tools of poppler."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest


def tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"no {name} on this machine: apt install poppler-utils")
    return found


def pages_of(pdf: bytes, folder: Path) -> list[str]:
    """The text of each page, a space between any two words."""
    path = folder / "report.pdf"
    path.write_bytes(pdf)
    text = subprocess.run(
        [tool("pdftotext"), "-enc", "UTF-8", str(path), "-"], capture_output=True, check=True
    ).stdout.decode()
    return [" ".join(page.split()) for page in text.split("\f")[:-1]]


Word = tuple[float, float, float, float, str]


def words_of(pdf: bytes, folder: Path) -> list[tuple[tuple[float, float], list[Word]]]:
    """Every page's size and its words: left, top, right, bottom in points, and the text."""
    path = folder / "boxes.pdf"
    path.write_bytes(pdf)
    page = subprocess.run(
        [tool("pdftotext"), "-bbox", str(path), "-"], capture_output=True, check=True
    ).stdout.decode()
    page = re.sub(r"<!DOCTYPE[^>]*>", "", page)
    found = []
    for sheet in ElementTree.fromstring(page).iter("{http://www.w3.org/1999/xhtml}page"):
        words = [
            (*(float(w.get(k, "0")) for k in ("xMin", "yMin", "xMax", "yMax")), w.text or "")
            for w in sheet
        ]
        found.append(((float(sheet.get("width", "0")), float(sheet.get("height", "0"))), words))
    return found  # type: ignore[return-value]


def overlaps(words: list[Word]) -> list[tuple[str, str]]:
    """Pairs of words whose inner halves cross; lines of one block touch at their rims."""
    boxes = np.array([w[:4] for w in words])
    middle, half = 0.5 * (boxes[:, :2] + boxes[:, 2:]), 0.5 * (boxes[:, 2:] - boxes[:, :2])
    half = np.maximum(half - [0.6, 0.27 * 8], 0.1) if len(boxes) else half
    apart = np.abs(middle[:, None] - middle[None]) - (half[:, None] + half[None])
    clash = np.triu((apart < 0).all(axis=2), 1)
    return [(words[i][4], words[j][4]) for i, j in np.argwhere(clash)]
