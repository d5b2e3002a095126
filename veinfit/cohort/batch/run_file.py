"""What a run writes down of itself, and whether a folder holds the same run."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from veinfit.cohort.batch.plan import RunPlan
from veinfit.errors import InputError

RUN_FILE = "run.json"


def run_json(plan: RunPlan) -> bytes:
    """Return what a run writes down of itself."""
    return (json.dumps(_finite(plan.as_mapping()), indent=1) + "\n").encode()


def _finite(value: Any) -> Any:
    """Return plain values with infinities as words, which JSON has no numbers for."""
    if isinstance(value, dict):
        return {name: _finite(inner) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(inner) for inner in value]
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def check_run(out: Path, plan: RunPlan) -> None:
    """Raise InputError where the folder holds a run of another plan."""
    try:
        there = json.loads((out / RUN_FILE).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        raise InputError(
            f"{out / RUN_FILE} cannot be read, so what the folder holds is not known; "
            "pass another --out"
        ) from error
    mine = json.loads(run_json(plan))
    other = sorted(_differences(there, mine))
    if other:
        raise InputError(
            f"output {out} holds a run with another {other[0]}"
            + (f" and {len(other) - 1} more differences" if len(other) > 1 else "")
            + "; pass another --out"
        )


def _differences(there: Any, mine: Any, name: str = "content") -> Iterator[str]:
    if isinstance(there, dict) and isinstance(mine, dict):
        for key in sorted({*there, *mine}):
            inner = f"{name}.{key}" if name == "settings" or "." in name else key
            yield from _differences(there.get(key), mine.get(key), inner)
    elif there != mine:
        yield name
