"""Two balloons side by side in words."""

from __future__ import annotations

import re
from dataclasses import replace

from seating.test_compare import SEATING, TIES, chance, fit, margin

from veinfit.report.seating_words import in_words
from veinfit.seating.compare import compare
from veinfit.seating.model import ClockReading


def said(first, second):
    return in_words(compare(first, second, SEATING, TIES), TIES)


def remark(topic, first, second):
    found = [one for one in said(first, second).remarks if one.topic == topic]
    assert len(found) == 1, topic
    return found[0]


def test_a_tie_says_why():
    told = remark("seal", fit(28), fit(31, leak_width_mm=1.29))
    assert told.tie
    assert "1.00 mm wide" in told.text
    assert "1.29 mm wide" in told.text
    assert "a tie, as the leak widths differ by less than 0.3 mm" in told.text
    assert "tie" not in remark("seal", fit(28), fit(31, leak_width_mm=1.31)).text


def test_seals_leaks_and_warm_contact_have_their_words():
    sealed = fit(28, occluded=True, sealed=True, leak_width_mm=0.2)
    warm = fit(31, occluded=True, sealed=False, leak_width_mm=0.2)
    text = remark("seal", sealed, warm).text
    assert "28 mm seals" in text
    assert "31 mm occludes but does not seal" in text
    both = remark("seal", sealed, replace(warm, sealed=True))
    assert both.text == "Both seal: 28 mm and 31 mm."
    deep = remark("seal", sealed, replace(warm, sealed=True, deep=True))
    assert deep.text == "Both seal: 28 mm and 31 mm (deep)."
    assert "28 mm seals, but deep" in remark("seal", replace(sealed, deep=True), warm).text
    lost = fit(28, outcome="passes through", occluded=None, sealed=None, leak_width_mm=None)
    assert "28 mm passes through" in said(lost, fit(31)).summary


def test_probabilities_are_told_with_their_bounds():
    low, high = chance(0.3, 0.2, 0.45), chance(0.6, 0.5, 0.7)
    pair = fit(28, margin=margin(low)), fit(31, margin=margin(high))
    text = remark("margin", *pair).text
    assert (
        "28 mm 0.30 (0.20 to 0.45) and 31 mm 0.60 (0.50 to 0.70). An antral seal is likelier with "
        "31 mm by 0.30" in text
    )
    assert remark("margin", *pair).text in said(*pair).summary


def test_tries_are_told_together():
    told = chance(0.5, 0.4, 0.6)
    text = remark("both tries", fit(28, margin=margin(told)), fit(31, margin=margin(told))).text
    assert re.findall(r"0\.\d\d", text) == ["0.25"] * 4


def test_depth_area_and_neighbours_are_told_with_their_difference():
    near = {"right_phrenic_nerve": 8.0, "oesophagus": 3.0}
    far = {"right_phrenic_nerve": 10.5, "oesophagus": 3.0}
    first = fit(28, depth_mm=1.0, antral_area_mm2=400.0, distances_mm=near)
    second = fit(31, depth_mm=-2.5, antral_area_mm2=650.0, distances_mm=far)
    texts = [r.text for r in said(first, second).remarks]
    assert texts[1:] == [
        "Equator: 28 mm 1.0 mm past the ostial plane and 31 mm 2.5 mm before the ostial plane; "
        "the larger one 3.5 mm farther back.",
        "28 mm 400 mm² and 31 mm 650 mm² of the antrum; the larger one 250 mm² more.",
        "Distance to right phrenic nerve: 28 mm 8.0 mm and 31 mm 10.5 mm; "
        "the larger one 2.5 mm farther.",
        "Distance to oesophagus: 28 mm 3.0 mm and 31 mm 3.0 mm; no difference.",
    ]


INSTRUCTS = re.compile(
    r"\b(should|must|use|choose|recommend\w*|prefer\w*|better|best|worse|advis\w*|ought|avoid)\b",
    re.IGNORECASE,
)


def test_nothing_instructs():
    """Pairs that leak, seal, tie and differ make every kind of remark; none tells what to do."""
    likely, unlikely = chance(0.8, 0.7, 0.9), chance(0.2, 0.1, 0.3)
    near, far = {"oesophagus": 3.0}, {"oesophagus": 4.0}
    first = fit(28, margin=margin(unlikely), distances_mm=near)
    pairs = [
        (first, fit(31, margin=margin(likely), distances_mm=far, sealed=True, occluded=True)),
        (first, fit(31, margin=margin(unlikely), distances_mm=near)),
        (first, fit(31, outcome="passes through", sealed=None, occluded=None, leak_width_mm=None)),
        (fit(28, sealed=True, occluded=True), fit(31, sealed=True, occluded=True, depth_mm=2.0)),
    ]
    remarks = [r for pair in pairs for r in said(*pair).remarks]
    # Every pair has a verdict; pairs with margins, depths, areas and neighbours have those too.
    assert len(remarks) >= 4 * 3 and all(r.text for r in remarks)
    for made in remarks:
        assert not INSTRUCTS.search(made.text), made.text
    assert INSTRUCTS.search("Use the larger balloon.")


def clocked(size, open_h):
    """A seat that leaks, without contact at these hours."""
    readings = tuple(
        ClockReading("LSPV", f"{size} mm", "coaxial", float(h), f"side {h}",
                     2.0 if h in open_h else -1.0, None, None, None, None)
        for h in range(12)
    )  # fmt: skip
    return fit(size, clock=readings)


def test_that_neither_seals_is_told_whether_or_not_both_are_open_somewhere():
    assert said(clocked(28, {3}), clocked(31, {3, 4})).neither == (
        "open with both: side 3, about 2 to 4 o'clock (30°)"
    )
    assert said(clocked(28, {3}), clocked(31, {6})).neither == (
        "no part of the circumference is open with both"
    )
    assert said(fit(28), fit(31)).neither == "neither was read around the clock"
    sealed = fit(31, occluded=True, sealed=True, leak_width_mm=0.2)
    assert said(fit(28), sealed).neither == ""
