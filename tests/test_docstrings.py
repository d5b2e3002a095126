"""Docstrings of public functions tell parameters, shapes, results and errors."""

from __future__ import annotations

import ast

import pytest
from docstrings import Package, Public, lacking

HALF = '''def f(points: FloatArray, other: float) -> FloatArray:
    """Do.

    Parameters
    ----------
    points : array
    third : float
    """
    raise ValueError("never")
'''


@pytest.fixture(scope="module")
def public() -> list[Public]:
    return list(Package().public())


def test_public_docstrings_are_complete(public: list[Public]) -> None:
    said = [f"{one.module}.{one.name}: {word}" for one in public for word in lacking(one)]
    assert not said, "\n".join(said)


def test_what_lacks_is_found() -> None:
    (node,) = ast.parse(HALF).body
    assert isinstance(node, ast.FunctionDef)
    assert list(lacking(Public("veinfit.case", "f", node, False))) == [
        "parameters not told: other",
        "told, and no parameters: third",
        "no shape: points",
        "no Returns section",
        "errors not told: ValueError",
    ]


def test_public_is_what_others_are_given(public: list[Public]) -> None:
    import veinfit

    named = {one.name for one in public}
    assert len(public) > 400
    functions = {n for n in veinfit.__all__ if n[0].islower() and n != "__version__"}
    assert functions <= named and {"Opening.cut", "CaseResult.tables", "lumen_input"} <= named
    assert not any(part.startswith("_") for name in named for part in name.split("."))
