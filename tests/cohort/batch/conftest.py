from __future__ import annotations

from pathlib import Path

import pytest
from cohort.batch.fake_cases import FUNCTION

from veinfit.cohort.batch.cases import find_cases
from veinfit.cohort.batch.plan import make_plan
from veinfit.cohort.batch.run import run_cohort


@pytest.fixture(autouse=True)
def fakes(monkeypatch):
    """Let worker processes find the fake cases."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))


@pytest.fixture
def folder(tmp_path):
    """Make a folder of inputs that hold how long they take, s."""

    def make(names, seconds=0.0):
        inputs = tmp_path / "inputs"
        inputs.mkdir(exist_ok=True)
        for k, name in enumerate(names):
            text = str(seconds(k) if callable(seconds) else seconds)
            (inputs / f"{name}.stl").write_text(text)
        return inputs

    return make


@pytest.fixture
def run():
    """Run a cohort of fake cases."""

    def go(inputs, out, **options):
        settings = {"workers": 2, "shard_cases": 4, "function": FUNCTION, **options}
        return run_cohort(find_cases([inputs]).cases, out, make_plan(), **settings)

    return go
