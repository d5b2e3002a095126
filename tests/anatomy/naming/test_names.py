"""Naming from places and directions alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from veinfit.anatomy.naming.frame_check import FlatSide, StatedFrame, seen_in
from veinfit.anatomy.naming.names import TEMPLATE, CandidateFeatures, name_candidates
from veinfit.anatomy.naming.roles import ROLES, SEVERAL_VEINS, SOME_VEIN, Misfits
from veinfit.errors import InputError
from veinfit.vectors import unit

FOUR = ("LSPV", "LIPV", "RSPV", "RIPV", "LAA", "MV")


def candidate(role, index, turn=None, **changes):
    turn = turn or Rotation.identity()
    place, direction = (turn.apply(unit(np.array(v))) for v in TEMPLATE[role])
    values = {
        "members": (index,),
        "place": place,
        "direction": direction,
        "diameter_mm": {"MV": 34.0, "LAA": 15.0}.get(role, 16.0),
        "is_open": role != "LAA",
        "has_ostium": role != "MV",
        "slenderness": 1.5,
        "shared_mm": None,
    }
    return CandidateFeatures(**(values | changes))


def named(roles, turn=None, **changes):
    candidates = [candidate(r, k, turn, **changes) for k, r in enumerate(roles)]
    naming = name_candidates(candidates, 10.0)
    return {role: roles[k] for role, k in naming.roles.items()}, naming


@pytest.mark.parametrize(
    "roles",
    [
        FOUR,
        (*FOUR, "RMPV"),
        (*FOUR, "RMPV", "RMPV-2"),
        (*FOUR, "extra-1"),
        ("LSPV", "LIPV", "RSPV", "RIPV", "MV"),
        ("RIPV", "RSPV", "LIPV", "LSPV"),
    ],
)
def test_every_role_is_given_to_its_own_candidate(roles):
    found, naming = named(roles)
    assert found == {r: r for r in roles}
    assert naming.other_frame.better_by < 0.0


@pytest.mark.parametrize("axis", [(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, -1, 1)])
@pytest.mark.parametrize("angle", [-30.0, -15.0, 15.0, 30.0])
def test_names_hold_when_the_heart_is_turned(axis, angle):
    turn = Rotation.from_rotvec(np.radians(angle) * unit(np.array(axis, dtype=float)))
    found, _ = named(FOUR, turn)
    assert found == {r: r for r in FOUR}


def test_a_frame_turned_half_round_is_refused_with_the_remedy():
    with pytest.raises(InputError, match="--frame ras") as caught:
        named(FOUR, Rotation.from_rotvec([0.0, 0.0, np.pi]))
    assert "\n" not in str(caught.value)


def seen(axes):
    """The usual candidates as a file with other axes shows them."""
    candidates = [candidate(role, k) for k, role in enumerate(FOUR)]
    return [
        dataclasses.replace(
            c,
            place=seen_in(axes, c.place[None])[0],
            direction=seen_in(axes, c.direction[None])[0],
        )
        for c in candidates
    ]


@pytest.mark.parametrize(
    ("axes", "words"),
    [
        ((1, 2, -3), "mirrored head to foot"),
        ((1, -2, -3), "rotated by 180 degrees about the left-right axis"),
        ((-1, 2, -3), "rotated by 180 degrees about the front-back axis"),
        ((-1, -2, -3), "mirrored in all three axes"),
        ((3, 1, 2), "its x, y and z axes point to the patient's head, left and back"),
    ],
)
def test_axes_of_the_wrong_sign_or_place_are_refused(axes, words):
    with pytest.raises(InputError, match="an axis has the wrong sign or place") as caught:
        name_candidates(seen(axes), 10.0)
    assert words in str(caught.value)


def test_a_frame_is_weighed_with_the_appendage_that_passed_for_a_vein():
    # A left superior vein far back and the appendage in front of it: were the vein no more than a
    # bulge, a heart mirrored front to back would fit far better.
    seen_there = (
        ((-0.993, 0.074, -0.097), (-0.849, 0.439, -0.293), 21.4, 0.48),
        ((-0.920, -0.382, 0.089), (-0.612, -0.527, 0.590), 18.2, 0.72),
        ((0.460, 0.742, 0.487), (0.863, 0.448, 0.233), 11.6, 1.23),
        ((0.796, 0.045, 0.604), (0.508, 0.229, 0.830), 16.1, 0.46),
        ((0.351, 0.464, 0.814), (0.804, 0.132, 0.580), 12.8, 0.56),
    )
    candidates = [
        candidate(
            "RIPV", k, place=unit(np.array(place)), direction=unit(np.array(direction)),
            diameter_mm=d_mm, is_open=False, slenderness=slenderness,
        )
        for k, (place, direction, d_mm, slenderness) in enumerate(seen_there)
    ]  # fmt: skip
    naming = name_candidates(candidates, 10.0)
    assert naming.roles["LAA"] == 3
    assert not naming.other_frame.is_doubted


def test_a_heart_mirrored_left_to_right_is_doubted_and_not_refused():
    # A file may be mirrored, but a heart may be too.
    naming = name_candidates(seen((-1, 2, 3)), 10.0)
    assert naming.other_frame.found("lps") == "mirrored left to right"
    assert naming.other_frame.is_doubted
    assert max(naming.confidence.values()) <= 0.5
    assert not name_candidates(seen((1, 2, 3)), 10.0).other_frame.is_doubted


def test_a_long_trunk_is_a_vein_and_a_short_one_is_not():
    for shared, expected in (
        (14.0, {"LCPV", "RSPV", "RIPV"}),
        (6.0, {"LSPV", "LIPV", "RSPV", "RIPV"}),
    ):
        candidates = [candidate(r, k) for k, r in enumerate(("LSPV", "LIPV", "RSPV", "RIPV", "MV"))]
        candidates.append(candidate("LCPV", 0, members=(0, 1), diameter_mm=24.0, shared_mm=shared))
        naming = name_candidates(candidates, 10.0)
        assert set(naming.roles) - {"MV"} == expected


def test_a_part_shared_by_two_veins_is_one_vein_only_as_wide_as_veins_are():
    for diameter, expected in ((17.0, {"RIPV"}), (31.0, {"RIPV", "RMPV"})):
        roles = (*FOUR, "RMPV")
        candidates = [candidate(r, k) for k, r in enumerate(roles)]
        members = (roles.index("RIPV"), roles.index("RMPV"))
        candidates.append(
            candidate("RIPV", 0, members=members, diameter_mm=diameter, shared_mm=5.0)
        )
        naming = name_candidates(candidates, 10.0)
        assert set(naming.roles) == (set(FOUR) - {"RIPV"}) | expected


@pytest.mark.parametrize(
    ("branches_mm", "shared_mm", "expected"),
    [
        # Cronin et al., Acad Radiol 2007, Tables 3 and 5: a right superior vein of 17.6 mm and a
        # middle vein of 8.6 mm are usual, a first branch 3 mm from the ostium of a right superior
        # vein is rare (14.5 +/- 6.2 mm) ...
        ((17.6, 8.6), 24.0, {"RSPV", "RMPV"}),
        # ... but two veins of 9 mm in its place are rarer than one of 17.6 mm that branches early.
        ((9.0, 9.0), 17.6, {"RSPV"}),
    ],
)
def test_the_usual_diameters_tell_two_veins_from_one_that_branches_early(
    branches_mm, shared_mm, expected
):
    candidates = [candidate(r, k) for k, r in enumerate((*FOUR, "RMPV"))]
    for k, diameter in zip((2, 6), branches_mm, strict=True):
        candidates[k] = dataclasses.replace(candidates[k], diameter_mm=diameter)
    candidates.append(
        candidate("RSPV", 2, members=(2, 6), diameter_mm=shared_mm, shared_mm=3.0, excess=2.0)
    )
    naming = name_candidates(candidates, 10.0)
    assert {r for r in naming.roles if r in ("RSPV", "RMPV")} == expected


def test_a_vein_whose_ostium_came_out_too_wide_is_not_lost():
    # A blind funnel of a label volume: 31 mm is more than is published, and still a vein.
    candidates = [
        candidate(r, k, is_open=False) for k, r in enumerate(("LSPV", "LIPV", "RSPV", "RIPV"))
    ]
    candidates[3] = dataclasses.replace(candidates[3], diameter_mm=31.0)
    naming = name_candidates(candidates, 10.0)
    assert naming.roles["RIPV"] == 3


def test_a_stub_that_looks_little_like_a_vein_is_one_only_where_a_vein_is_missing():
    # Squat, without an ostium, and 25 degrees off: as nothing it costs less, until the right
    # inferior vein that is then missing is counted too.
    away = Rotation.from_euler("z", 25.0, degrees=True)
    changes = {"is_open": False, "has_ostium": False, "slenderness": 0.3, "diameter_mm": 28.0}
    stub = candidate("RIPV", 3, away, **changes)
    others = [candidate(r, k, is_open=False) for k, r in enumerate(("LSPV", "LIPV", "RSPV"))]
    for hint in ("", "RIPV"):
        labelled = dataclasses.replace(stub, hint=hint)
        assert name_candidates([*others, labelled], 10.0).roles["RIPV"] == 3
    whole = name_candidates([*others, stub, candidate("RIPV", 4, is_open=False)], 10.0).roles
    assert whole["RIPV"] == 4
    assert 3 not in whole.values()


@pytest.mark.parametrize("is_closed", [True, False])
def test_beside_closed_openings_a_blind_branch_may_be_a_vein(is_closed):
    # The edge of a closed opening may be too soft to tell; where veins are left open a blind
    # branch beside them is the appendage or a bulge rather.
    middle = candidate("RMPV", 4, is_open=False, slenderness=1.5)
    others = [candidate(r, k, is_closed=is_closed) for k, r in enumerate(FOUR)]
    assert ("RMPV" in name_candidates([*others, middle], 10.0).roles) == is_closed


def toward(*vector):
    return unit(np.array(vector))


@pytest.mark.parametrize(
    ("appendage", "vein"),
    [
        # A vein cut so short that its ostium came out wide and doubtful.
        (
            {"place": toward(0.72, -0.57, 0.40), "direction": toward(0.29, -0.91, 0.28)},
            {
                "place": toward(0.87, -0.12, 0.48),
                "direction": toward(0.80, -0.20, 0.57),
                "diameter_mm": 33.0,
            },
        ),
        # A vein that points forward as the appendage does.
        (
            {
                "place": toward(0.73, -0.65, 0.20),
                "direction": toward(0.15, -0.95, -0.28),
                "diameter_mm": 21.0,
                "has_ostium": False,
            },
            {"place": toward(0.89, -0.23, 0.40), "direction": toward(0.85, -0.27, 0.44)},
        ),
        # An appendage that hangs down beside a forward vein.
        (
            {"place": toward(0.76, -0.64, 0.12), "direction": toward(-0.17, -0.90, -0.41)},
            {"place": toward(0.88, -0.12, 0.45), "direction": toward(0.79, -0.42, 0.45)},
        ),
    ],
)
def test_of_two_left_branches_the_one_in_front_is_the_appendage(appendage, vein):
    # The mouth of the appendage lies in front of the left veins, beyond the ridge between them
    # (common practice, no source).
    closed = {"is_open": False, "slenderness": 0.7}
    candidates = [
        candidate("LAA", 0, **closed, **appendage),
        candidate("LSPV", 1, **closed, has_ostium=False, **vein),
        *(candidate(r, k, **closed) for k, r in enumerate(("LIPV", "RSPV", "RIPV"), 2)),
    ]
    naming = name_candidates(candidates, 10.0)
    assert (naming.roles["LAA"], naming.roles["LSPV"]) == (0, 1)
    assert not naming.other_frame.is_refused


def test_what_is_wider_than_any_published_common_trunk_is_two_veins():
    # Two left veins whose common part was followed far into the atrium; the lower one's ostium
    # came out in the atrium too.
    singles = [candidate(r, k, is_open=False) for k, r in enumerate(FOUR)]
    singles[1] = dataclasses.replace(singles[1], diameter_mm=40.0)
    trunk = dataclasses.replace(
        candidate("LCPV", 0, is_open=False), members=(0, 1), diameter_mm=30.0, shared_mm=16.0
    )
    roles = name_candidates([*singles, trunk], 10.0).roles
    assert roles["LCPV"] == 6
    wide = dataclasses.replace(trunk, diameter_mm=46.0)
    roles = name_candidates([*singles, wide], 10.0, StatedFrame(trusted=True)).roles
    assert (roles["LSPV"], roles["LIPV"]) == (0, 1)


def test_a_label_that_holds_all_veins_goes_with_every_vein_and_nothing_else():
    hints = {"LAA": "LAA", "MV": ""}
    # Blind, as in a closed surface of labels, where without labels a vein may pass for a bulge.
    candidates = [
        candidate(r, k, hint=hints.get(r, SOME_VEIN), is_open=False) for k, r in enumerate(FOUR)
    ]
    naming = name_candidates(candidates, 10.0)
    assert {role: FOUR[k] for role, k in naming.roles.items()} == {r: r for r in FOUR}
    assert min(naming.confidence.values()) > 0.95


def test_a_long_part_of_a_common_trunk_leaves_no_doubt_about_the_whole():
    # A left common trunk whose superior vein has branches of its own inside the mesh.
    singles = [
        candidate(role, k) for k, role in enumerate(("LSPV", "LSPV", "LIPV", "RSPV", "RIPV"))
    ]
    trunk = {"diameter_mm": 24.0, "shared_mm": 13.0, "members": (0, 1, 2), "excess": 1.0}
    inner = {"diameter_mm": 15.0, "shared_mm": 18.0, "members": (0, 1), "excess": 1.0}
    whole = candidate("LCPV", 0, **trunk)
    rest = [candidate("MV", 5)]
    alone = name_candidates([*singles, *rest, whole], 10.0)
    both = name_candidates([*singles, *rest, whole, candidate("LSPV", 0, **inner)], 10.0)
    for naming in (alone, both):
        assert set(naming.roles) == {"LCPV", "RSPV", "RIPV", "MV"}
    assert both.confidence["LCPV"] == pytest.approx(alone.confidence["LCPV"], abs=0.05)


def test_labels_that_part_two_veins_leave_no_doubt_about_their_trunk():
    confidence = {}
    for hinted in (False, True):
        candidates = [candidate(r, k, hint=r if hinted else "") for k, r in enumerate(FOUR)]
        candidates.append(candidate("LCPV", 0, members=(0, 1), diameter_mm=24.0, shared_mm=9.8))
        naming = name_candidates(candidates, 10.0)
        assert {role: FOUR[k] for role, k in naming.roles.items()} == {r: r for r in FOUR}
        confidence[hinted] = naming.confidence["LSPV"]
    assert confidence[False] < 0.6 < 0.95 < confidence[True]


def test_the_next_best_name_of_a_branch_may_be_a_part_of_a_trunk():
    candidates = [candidate(r, k) for k, r in enumerate(FOUR)]
    candidates.append(
        candidate("LCPV", 0, members=(0, 1), diameter_mm=30.0, shared_mm=14.0, excess=1.95)
    )
    naming = name_candidates(candidates, 10.0)
    assert naming.roles["LSPV"] == 0
    assert naming.runner_up["LSPV"] == "a branch of LCPV"


def test_a_trunk_is_as_surely_long_as_its_ostium_is_known():
    # A right common trunk is found in one of 200 patients (Cronin et al., Acad Radiol 2007).
    for error_mm, expected in ((2.0, {"RCPV"}), (12.0, {"RSPV", "RIPV"})):
        candidates = [candidate(r, k) for k, r in enumerate(FOUR)]
        whole = {"diameter_mm": 30.0, "shared_mm": 11.5, "excess": 1.6}
        candidates.append(candidate("RCPV", 2, members=(2, 3), ostium_error_mm=error_mm, **whole))
        roles = name_candidates(candidates, 10.0).roles
        assert {r for r in roles if r.startswith("R")} == expected


def test_a_label_outweighs_the_place():
    turn = Rotation.from_rotvec(np.radians(35.0) * np.array([0.0, 1.0, 0.0]))
    candidates = [candidate(r, k, turn, hint=r if r != "MV" else "") for k, r in enumerate(FOUR)]
    assert {r: FOUR[k] for r, k in name_candidates(candidates, 10.0).roles.items()} == {
        r: r for r in FOUR
    }


def test_two_veins_side_by_side_have_doubtful_names():
    _, sure = named(FOUR)
    candidates = [candidate(r, k) for k, r in enumerate(FOUR)]
    middle = unit(np.add(TEMPLATE["LSPV"][0], TEMPLATE["LIPV"][0]))
    for k in (0, 1):
        candidates[k] = candidate("LSPV", k, place=middle, direction=middle)
    doubtful = name_candidates(candidates, 10.0)
    assert doubtful.confidence["LSPV"] < 0.6 < sure.confidence["LSPV"]
    assert doubtful.runner_up["LSPV"] == "LIPV"


@pytest.mark.parametrize(
    ("role", "changes", "cost"),
    [
        # An appendage may be cut open, but an opening as wide as a mitral valve is none.
        ("LAA", {"is_open": True, "diameter_mm": 24.0}, 3.0),
        ("LAA", {"is_open": True, "diameter_mm": 30.0}, 5.0),
        ("LAA", {"is_open": True, "diameter_mm": 36.0}, 7.0),
        ("MV", {"is_open": True}, 0.0),
        # Nor is the mitral side blind where the veins are cut open ...
        ("MV", {"is_open": False}, 4.0),
        # ... but for one that the input closes.
        ("MV", {"is_open": True, "is_closed": True}, 0.0),
    ],
)
def test_of_an_atrium_with_open_veins_the_widest_opening_is_the_mitral_side(role, changes, cost):
    loose = candidate(role, 4, **changes)
    misfits = Misfits.of([candidate(r, k) for k, r in enumerate(FOUR[:4])] + [loose], 10.0)
    costs = misfits.turned(Rotation.identity()) + misfits.blind_among(range(5))
    assert costs[4, ROLES.index(role)] == pytest.approx(cost)


def test_no_vein_at_all_is_refused():
    with pytest.raises(InputError, match="no pulmonary vein"):
        named(("MV",))


def test_a_single_left_vein_of_a_trunks_diameter_is_the_common_trunk():
    # Left common trunks are 24 mm wide in the mean, superior veins 17 mm (Cronin 2007).
    for diameter, expected in ((25.0, "LCPV"), (15.0, "LSPV")):
        candidates = [candidate(r, k) for k, r in enumerate(("RSPV", "RIPV", "MV"))]
        candidates.append(
            candidate(
                "LCPV" if diameter > 20.0 else "LSPV", 3, diameter_mm=diameter, slenderness=1.0
            )
        )
        naming = name_candidates(candidates, 10.0)
        assert {r for r, k in naming.roles.items() if k == 3} == {expected}


def test_a_labelled_trunk_is_one_whether_or_not_it_shows_branches():
    candidates = [candidate(r, k, hint=r) for k, r in enumerate(("LCPV", "RSPV", "RIPV"))]
    naming = name_candidates(candidates, 10.0)
    assert set(naming.roles) == {"LCPV", "RSPV", "RIPV"}
    assert naming.confidence["LCPV"] > 0.9


def test_three_right_branches_that_share_a_wide_antrum_are_three_veins():
    roles = ("LSPV", "LIPV", "RSPV", "RMPV", "RIPV", "MV")
    candidates = [candidate(r, k) for k, r in enumerate(roles)]
    # An antrum of 32 by 25 mm: as wide as 1.4 times its branches together.
    candidates.append(
        candidate("RCPV", 2, members=(2, 3, 4), diameter_mm=28.3, shared_mm=13.0, excess=1.4)
    )
    naming = name_candidates(candidates, 10.0)
    assert {r for r in naming.roles if r != "MV"} == {"LSPV", "LIPV", "RSPV", "RMPV", "RIPV"}


def test_what_is_nearly_as_long_as_wide_is_a_trunk_however_thin_its_branches_are():
    branches = [candidate("LIPV", 2), candidate("RIPV", 3)]
    candidates = [candidate("LSPV", 0), candidate("RSPV", 1), *branches, candidate("MV", 4)]
    for shared_mm, expected in ((19.0, "ICPV"), (10.5, "LIPV")):
        common = candidate(
            "ICPV", 2, members=(2, 3), diameter_mm=22.0, shared_mm=shared_mm, excess=2.6
        )
        naming = name_candidates([*candidates, common], 10.0)
        assert expected in naming.roles


def test_a_common_part_wider_than_any_vein_and_than_its_branches_take_is_their_antrum():
    # Single veins reach 30 mm; of common trunks the branches are about as wide (Cronin 2007).
    roles = ("LSPV", "LIPV", "RSPV", "RIPV", "MV")
    candidates = [candidate(r, k) for k, r in enumerate(roles)]
    for diameter_mm, excess, expected in ((34.0, 3.6, "RSPV"), (27.0, 1.5, "RCPV")):
        common = candidate(
            "RCPV", 2, members=(2, 3), diameter_mm=diameter_mm, shared_mm=27.0, excess=excess
        )
        naming = name_candidates([*candidates, common], 10.0)
        assert expected in naming.roles


def test_a_right_lower_vein_is_no_middle_one_where_no_other_is_below_it():
    # It lies between the places of the middle and the inferior vein, a little nearer to the first.
    candidates = [candidate(r, k) for k, r in enumerate(("LSPV", "LIPV", "RSPV", "MV"))]
    halfway = [
        unit(0.55 * np.array(a) + 0.45 * np.array(b))
        for a, b in zip(TEMPLATE["RMPV"], TEMPLATE["RIPV"], strict=True)
    ]
    candidates.append(
        dataclasses.replace(candidate("RIPV", 4), place=halfway[0], direction=halfway[1])
    )
    naming = name_candidates(candidates, 10.0)
    assert naming.roles["RIPV"] == 4


def test_the_lid_of_a_removed_appendage_takes_no_name_from_a_vein():
    # Where nothing is open, a tube as long as wide with an ostium is a vein, and the lid in front
    # of it is where the appendage was (common practice: it lies in front of the left veins).
    lid = candidate("LSPV", 0, is_closed=True, slenderness=0.1, diameter_mm=20.8)
    lid = dataclasses.replace(
        lid, place=toward(0.75, -0.45, 0.48), direction=toward(0.65, -0.55, 0.5)
    )
    vein = candidate("LSPV", 1, is_open=False, slenderness=1.1)
    vein = dataclasses.replace(vein, place=toward(0.85, 0.05, 0.52))
    others = [candidate(r, k, is_open=False) for k, r in enumerate(("LIPV", "RSPV", "RIPV"), 2)]
    naming = name_candidates([lid, vein, *others], 10.0)
    assert (naming.roles["LAA"], naming.roles["LSPV"]) == (0, 1)


@pytest.mark.parametrize("hint", ["", "label"])
def test_the_higher_of_two_veins_is_doubtful_where_it_lies_farther_back(hint):
    front, back = ("RSPV", "RIPV") if hint else ("", "")
    others = [candidate(r, k) for k, r in enumerate(("LSPV", "LIPV", "LAA", "MV"))]
    low = dataclasses.replace(candidate("RSPV", 4), place=toward(-0.9, -0.2, 0.15), hint=front)
    high = dataclasses.replace(candidate("RIPV", 5), place=toward(-0.85, 0.3, 0.35), hint=back)
    upright = StatedFrame(flat=FlatSide(np.array([0.0, 1.0, 0.0]), 1.0))
    naming = name_candidates([*others, low, high], 10.0, upright)
    right = [naming.confidence[role] for role in ("RSPV", "RIPV")]
    assert max(right) > 0.9 if hint else max(right) <= 0.5
    assert naming.confidence["LSPV"] > 0.9


def test_left_names_are_not_sure_where_the_appendage_may_have_one():
    # The inferior left vein is rounded off: what is left lies between two places each.
    def between(role, other, index):
        own = candidate(role, index, is_open=False)
        place, direction = (
            unit(0.6 * np.array(a) + 0.4 * np.array(b))
            for a, b in zip(TEMPLATE[role], TEMPLATE[other], strict=True)
        )
        return dataclasses.replace(own, place=place, direction=direction)

    left = [between("LAA", "LSPV", 0), between("LSPV", "LIPV", 1)]
    others = [candidate(r, k, is_open=False) for k, r in enumerate(("RSPV", "RIPV", "MV"), 2)]
    upright = StatedFrame(flat=FlatSide(np.array([0.0, 1.0, 0.0]), 1.0))
    naming = name_candidates([*left, *others], 10.0, upright)
    assert max(sure for role, sure in naming.confidence.items() if role[0] == "L") < 0.9
    assert min(naming.confidence[role] for role in ("RSPV", "RIPV")) > 0.9


def test_a_bulge_of_the_wall_is_a_usual_vein_or_nothing():
    three = [candidate(r, k, is_open=False) for k, r in enumerate(("LSPV", "LIPV", "RSPV"))]
    bulge = {"is_open": False, "has_ostium": False, "slenderness": 0.0, "is_bulge": True}
    naming = name_candidates([*three, candidate("RIPV", 3, **bulge)], 10.0)
    assert naming.roles["RIPV"] == 3
    four = [*three, candidate("RIPV", 3, is_open=False)]
    assert 4 not in name_candidates([*four, candidate("RMPV", 4, **bulge)], 10.0).roles.values()


def test_branches_with_labels_of_their_own_are_no_unlabelled_trunk():
    veins = [candidate(r, k) for k, r in enumerate(FOUR)]
    trunk = candidate("LCPV", 0, members=(0, 1), shared_mm=12.0, diameter_mm=25.0)
    assert "LCPV" in name_candidates([*veins, trunk], 10.0).roles
    labelled = [dataclasses.replace(v, hint=r) for v, r in zip(veins, FOUR, strict=True)]
    several = dataclasses.replace(trunk, hint=SEVERAL_VEINS)
    naming = name_candidates([*labelled, several], 10.0)
    assert {"LSPV", "LIPV"} <= set(naming.roles)


def test_branches_of_a_labelled_trunk_that_was_not_found_are_in_doubt():
    veins = [candidate(r, k) for k, r in enumerate(FOUR)]
    blind = candidate("LCPV", 6, hint="LCPV", has_ostium=False, is_open=False, diameter_mm=45.0)
    naming = name_candidates([*veins, blind], 10.0)
    assert naming.confidence["LSPV"] <= 0.5
    assert naming.runner_up["LIPV"] == "a branch of LCPV"


@pytest.mark.parametrize(("past_mm", "is_common"), [(8.0, False), (12.0, True)])
def test_a_part_is_common_up_to_where_its_branches_have_their_own_ostia(past_mm, is_common):
    # The carina lies 12 mm past the ostium in both: by where an ostium of a branch lies it leaves
    # the atrium itself, or the trunk.
    veins = [candidate(r, k) for k, r in enumerate(FOUR)]
    sizes = {"shared_mm": 12.0, "common_mm": past_mm, "diameter_mm": 25.0}
    naming = name_candidates([*veins, candidate("LCPV", 0, members=(0, 1), **sizes)], 10.0)
    assert ("LCPV" in naming.roles) == is_common


def test_where_carina_and_ostia_disagree_on_a_trunk_the_names_are_in_doubt():
    veins = [candidate(r, k) for k, r in enumerate(FOUR)]
    trunk = candidate("LCPV", 0, members=(0, 1), shared_mm=11.8, common_mm=8.5, diameter_mm=25.0)
    naming = name_candidates([*veins, trunk], 10.0)
    assert 0.5 < naming.confidence["LSPV"] < 0.8
    assert "a branch of" in naming.runner_up["LSPV"]


def test_what_an_appendage_shares_with_cut_veins_is_no_appendage():
    veins = [candidate(r, k) for k, r in enumerate(("LSPV", "LIPV", "RSPV", "RIPV", "MV"))]
    lobe = candidate("LAA", 5, slenderness=0.0, has_ostium=False)
    # All that leaves the left side lies where an appendage does, with an ostium of its own.
    antrum = candidate("LAA", 5, members=(5, 0, 1), shared_mm=7.0, excess=5.8, cut_members=2)
    roles = name_candidates([*veins, lobe, antrum], 10.0).roles
    assert (roles["LSPV"], roles["LIPV"], roles["LAA"]) == (0, 1, 5)
