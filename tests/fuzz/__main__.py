"""``python -m tests.fuzz``: 20,000 spoiled files, each read or refused in one line.

What is wrong is printed, and the command ends with 1. An input is the same on every machine; one
alone is read by ``--first K --inputs 1``.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz.supervise import Outcome, run

SHARE = 500
"""Inputs of one worker process."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--stream", type=int, default=1, help="another one has other inputs")
    parser.add_argument("--only", default="", help="files whose name holds this, such as .dcm")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    last = asked.first + asked.inputs
    shares = [(k, min(k + SHARE, last)) for k in range(asked.first, last, SHARE)]
    whole = Outcome()
    with ThreadPoolExecutor(asked.workers) as pool:
        for part in pool.map(lambda share: run(asked.stream, *share, only=asked.only), shares):
            whole.counts += part.counts
            whole.faults += part.faults
            print(f"{whole.inputs} of {asked.inputs}, {len(whole.faults)} faults", flush=True)
    names: dict[str, Counter[str]] = {}
    for (name, what), count in whole.counts.items():
        names.setdefault(name, Counter())[what] += count
    for name, counts in sorted(names.items()):
        print(f"{name:40}", *(f"{what} {counts[what]:5}" for what in ("read", "refused", "fault")))
    print("\n".join(whole.faults))
    return 1 if whole.faults else 0


if __name__ == "__main__":
    sys.exit(main())
