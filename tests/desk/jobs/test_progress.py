"""How far a run is, and how long it still takes."""

from __future__ import annotations

import pytest

from veinfit.desk.jobs.progress import (
    BEGINNING,
    CROSSINGS,
    SEATING,
    USUAL_S,
    Pace,
    Stages,
    progress_of,
    stages_in,
    tell_stage,
)

VEINS = ("LSPV", "LIPV", "RSPV", "RIPV")


def whole_run(slower: float = 1.0) -> tuple[Stages, float]:
    """Return the stages of a run on a machine that is slower than usual, and its end."""
    stages, at = [], 0.0
    for name, seconds in USUAL_S.items():
        for one in [f"{SEATING}: {v}" for v in VEINS] if name == SEATING else [name]:
            stages.append((one, at))
            at += slower * seconds
    return stages, at


def test_it_grows_and_ends_below_one():
    stages, end = whole_run()
    shares = []
    for k, (name, at) in enumerate(stages, 1):
        told = progress_of(stages[:k], at + 0.1)
        assert told is not None and told.stage == name
        assert told.left_s == pytest.approx(end - at, abs=1.0)
        shares.append(told.share)
    assert shares == sorted(shares) and shares[0] >= 0.0 and 0.8 < shares[-1] < 1.0
    assert progress_of([], 1.0) is None


def test_the_time_left_is_told_from_the_beginning():
    told = progress_of([(BEGINNING, 0.0)], 0.0)
    assert told is not None
    assert told.left_s == pytest.approx(whole_run()[1])


def test_a_stage_that_does_not_end_stands_still():
    begun = [("reading the input", 0.0), ("anatomy: lumen", 2.0)]
    first, later = progress_of(begun, 1e3), progress_of(begun, 1e6)
    assert first is not None and later is not None and first.share == later.share < 0.2


def test_a_slow_machine_is_known_while_it_works_and_from_the_second_run_on(tmp_path):
    stages, end = whole_run(4.0)
    halfway = progress_of(stages[:9], stages[8][1])
    assert halfway is not None
    assert halfway.left_s == pytest.approx(end - stages[8][1], rel=0.35)
    pace = Pace(tmp_path / "pace.json")
    for _ in range(3):
        pace.learn(stages, end)
    # Another desk of the folder knows it too.
    known = Pace(tmp_path / "pace.json")
    told = progress_of([(BEGINNING, 0.0)], 0.0, known.usual)
    assert told is not None and told.left_s == pytest.approx(end, rel=0.15)
    assert known.usual[CROSSINGS] == pytest.approx(4.0 * USUAL_S[CROSSINGS], rel=0.15)
    # What finds the anatomy again opens a review.
    assert 10.0 < sum(known.opening.values()) < 0.5 * end


@pytest.mark.parametrize("text", ["", "{", "[1]", '{"pictures": "x"}', '{"pictures": -1}',
                                  '{"pictures": NaN}'])  # fmt: skip
def test_what_was_learned_can_be_lost(tmp_path, text):
    (tmp_path / "pace.json").write_text(text)
    assert Pace(tmp_path / "pace.json").usual == dict(USUAL_S)


def test_stages_are_told_through_a_file(tmp_path):
    path, stages = tmp_path / "progress.json", Stages()
    for name in ("a", "b"):
        tell_stage(path, stages, name)
    assert stages_in(path) == stages and [name for name, _ in stages] == ["a", "b"]
    assert stages_in(tmp_path / "none.json") == []
    tell_stage(tmp_path / "no folder" / "x.json", stages, "c")  # Nobody can be told: it goes on.
