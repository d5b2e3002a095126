"""Reads spoiled files one after another and tells of each what it came to.

It runs as a process of its own, for a reader may end it.
"""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import sys
import traceback
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from fuzz.seeds import Seed

MEMORY_BYTES = 2 << 30
"""A reader may take this much beside what the process has before."""

LONGEST_MESSAGE = 2500
"""Signs of a message, the path in it included."""

REMEDY = re.compile(
    r"; (?:add|and|delete|did|re|export|write|give|save|correct|check|pass|begin|set|crop|resample"
    r"|part|state|take|assess|make|run|quote|leave|there|it|the|use|each)\b"
    r"|: (?:give|pass|crop|export)\b|must |may hold|did you mean|there (?:are|is) "
    r"|is not known|outside|missing|holds no|is not TOML|veinfit reads|is empty|is not a"
    r"|is not 1|is needed|are needed|needs at least|is none of"
    r"|go together|belongs in|no [a-z]+ distribution"
)
"""How messages say what to do, or what would be right."""


def work(
    all_seeds: list[Seed], number: int, todo: Iterable[int], folder: Path, out: TextIO
) -> None:
    """Read the inputs ``todo`` of the stream ``number``; write a line before and after each."""
    from fuzz.mutations import spoiled

    noise = _led_away(folder / "noise.txt")
    place = folder / "in"
    for k in todo:
        rng = random.Random(f"{number}-{k}")
        seed = rng.choice(all_seeds)
        content = spoiled(seed.content, rng)
        print(k, seed.name, file=out, flush=True)
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        told = _one(seed, place, content, noise)
        print(json.dumps([k, seed.name, *told]), file=out, flush=True)


def _one(seed: Seed, place: Path, content: bytes, noise: Path) -> tuple[str, str]:
    """Return ``read``, ``refused`` or ``fault``, and what was said."""
    from veinfit.errors import InputError

    path = place / seed.file
    there = {seed.file: content, **seed.beside}
    for name, data in there.items():
        (place / name).write_bytes(data)
    before = noise.stat().st_size
    try:
        seed.read(path)
        outcome, said = "read", ""
    except InputError as error:
        outcome, said = "refused", str(error)
        if fault := _wording(said, path):
            return "fault", f"{fault}: {said[:600]}"
    except BaseException:
        return "fault", traceback.format_exc()[-1500:]
    if noise.stat().st_size > before:
        return "fault", f"printed: {noise.read_bytes()[before:][:400]!r}"
    if {p.name: p.read_bytes() for p in place.iterdir()} != there:
        return "fault", "files were written or changed"
    if list(Path.cwd().iterdir()):
        return "fault", "files were written into the working folder"
    return outcome, said


def _wording(said: str, path: Path) -> str:
    """Return what is wrong with a message; empty where nothing is."""
    if len(said.splitlines()) != 1 or not said.isprintable():
        return "not one line"
    if len(said) > LONGEST_MESSAGE:
        return f"{len(said)} signs"
    if str(path) not in said and str(path.parent) not in said:
        return "names no file"
    return "" if REMEDY.search(said) else "no remedy"


def _led_away(path: Path) -> Path:
    """Lead what libraries print into a file."""
    path.touch()
    descriptor = os.open(path, os.O_WRONLY | os.O_APPEND)
    for stream in (1, 2):
        os.dup2(descriptor, stream)
    return path


def _limit_memory() -> None:
    import resource

    pages = int(Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main() -> None:
    number, first, last, folder, only = sys.argv[1:]
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from fuzz.seeds import seeds

    made = [seed for seed in seeds() if only in seed.name]
    for seed in made:
        # Once unspoiled: libraries load, and a seed that is not sound would spoil nothing.
        place = Path(folder) / "sound"
        place.mkdir()
        for name, data in {seed.file: seed.content, **seed.beside}.items():
            (place / name).write_bytes(data)
        if "bzip2" not in seed.name:
            seed.read(place / seed.file)
        shutil.rmtree(place)
    if sys.platform == "linux":
        _limit_memory()
    nowhere = Path(folder) / "cwd"
    nowhere.mkdir()
    os.chdir(nowhere)
    with os.fdopen(os.dup(1), "w") as out:
        print("ready", file=out, flush=True)
        work(made, int(number), range(int(first), int(last)), Path(folder), out)


if __name__ == "__main__":
    main()
