"""Two sets of corrections that began from one, brought together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Entry = dict[str, Any]
"""One correction as its file has it: keys and values, LPS mm."""

Key = tuple[str, bool]
"""The vein that an entry is about, and whether it adds that vein."""

WORDS = ("who", "why")


@dataclass(frozen=True, slots=True)
class Clash:
    """A vein that two sets correct differently; None where a set leaves the vein alone."""

    vein: str
    mine: Entry | None
    theirs: Entry | None


@dataclass(frozen=True, slots=True)
class Merge:
    """What two sets say together. Where they clash, ``entries`` hold what ``mine`` says."""

    entries: tuple[Entry, ...]
    clashes: tuple[Clash, ...]


def key_of(entry: Mapping[str, Any]) -> Key:
    """Return what an entry is about."""
    return str(entry.get("vein", "")), "add_at_mm" in entry


def combined(entries: Iterable[Mapping[str, Any]]) -> tuple[Entry, ...]:
    """Return one entry a vein: a file may rename a vein in one entry and move it in another."""
    found: dict[Key, Entry] = {}
    for entry in entries:
        before = found.get(key_of(entry), {})
        words = {
            word: "; ".join(dict.fromkeys(filter(None, (before.get(word), entry.get(word)))))
            for word in WORDS
        }
        found[key_of(entry)] = {**before, **entry, **words}
    return tuple(found.values())


def merge(
    base: Sequence[Mapping[str, Any]],
    mine: Sequence[Mapping[str, Any]],
    theirs: Sequence[Mapping[str, Any]],
) -> Merge:
    """Take over from two sets whatever each of them changed since ``base``.

    Parameters
    ----------
    base, mine, theirs : sequence of mapping
        Entries, one a vein.
    """
    was, one, other = ({key_of(e): dict(e) for e in each} for each in (base, mine, theirs))
    entries: list[Entry] = []
    clashes: list[Clash] = []
    for key in dict.fromkeys((*other, *one)):
        own, foreign, before = one.get(key), other.get(key), was.get(key)
        if own != foreign and before not in (own, foreign):
            clashes.append(Clash(key[0], own, foreign))
        taken = foreign if own == before else own
        if taken is not None:
            entries.append(taken)
    return Merge(tuple(entries), tuple(clashes))


def same(one: Sequence[Mapping[str, Any]], other: Sequence[Mapping[str, Any]]) -> bool:
    """Whether two sets say the same, in whatever order."""
    return {key_of(e): dict(e) for e in one} == {key_of(e): dict(e) for e in other}


def differences(
    before: Sequence[Mapping[str, Any]], now: Sequence[Mapping[str, Any]]
) -> tuple[str, ...]:
    """Return a line for each vein whose correction would change, and one for those that stay."""
    was, new = ({key_of(e): dict(e) for e in each} for each in (before, now))
    lines = [f"{key[0]}: taken out" for key in was if key not in new]
    lines += [f"{key[0]}: changed" for key in new if key in was and was[key] != new[key]]
    lines += [f"{key[0]}: new" for key in new if key not in was]
    same = [key[0] for key in new if was.get(key) == new[key]]
    return (*lines, *([f"as before: {', '.join(same)}"] if same else []))
