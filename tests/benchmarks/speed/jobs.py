"""The whole job on one input, stage by stage."""

from __future__ import annotations

import tempfile
from pathlib import Path

from benchmarks.speed.clock import Stages, cpu_s, peak_mb

CHAINS = 64

NOMINAL = {
    "margin": {"samples": 0},
    "seating": {"crossing_map": False, "growth_in_place": False, "plan_below_probability": 0.0},
}
"""Settings under which nothing but the nominal seats is worked out."""


MARGIN = {
    "margin": {"samples": CHAINS, "aim_tilt_step_deg": 0.0},
    "seating": NOMINAL["seating"],
}
"""Settings under which nominal seats get their margin, and nothing else."""


def start_up() -> dict[str, float]:
    """Seconds until the whole job is imported, in a process that has imported nothing."""
    from veinfit.case import assess, write_case

    del assess, write_case
    return {"start-up": cpu_s()}


def nominal(source: Path) -> dict[str, float]:
    """Reading, anatomy and nominal seats of both sizes."""
    from veinfit import case
    from veinfit.settings import Settings

    stages = Stages()
    case.assess(source, settings=Settings.from_mapping(NOMINAL), progress=stages.begin)
    return {**stages.seconds(), "peak_mb": peak_mb()}


def margin(source: Path) -> dict[str, float]:
    """As far as the margins of all seats, without aim maps and what follows from them."""
    from veinfit import case
    from veinfit.settings import Settings

    stages = Stages()
    case.assess(source, settings=Settings.from_mapping(MARGIN), progress=stages.begin)
    return stages.seconds()


def whole(source: Path) -> dict[str, float]:
    """The whole job with a margin of 64 chains, pictures and files."""
    from veinfit import case
    from veinfit.settings import Settings

    stages = Stages()
    chosen = Settings.from_mapping({"margin": {"samples": CHAINS}})
    result = case.assess(source, settings=chosen, progress=stages.begin)
    with tempfile.TemporaryDirectory() as folder:
        stages.begin("tables")
        case.write_case(result, Path(folder) / "case", progress=stages.begin)
    return {**stages.seconds(), "peak_mb": peak_mb()}
