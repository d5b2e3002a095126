"""Naming from places and directions alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from veinfit.anatomy.names import TEMPLATE, Claim, name_candidates
from veinfit.errors import InputError
from veinfit.frames import unit

FOUR = ("LSPV", "LIPV", "RSPV", "RIPV", "LAA", "MV")


def claim(role, index, turn=None, **changes):
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
    return Claim(**(values | changes))


def named(roles, turn=None, **changes):
    claims = [claim(r, k, turn, **changes) for k, r in enumerate(roles)]
    naming = name_candidates(claims, 10.0)
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
    assert naming.frame_doubt < -4.0


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


def test_a_long_trunk_is_a_vein_and_a_short_one_is_not():
    for shared, expected in (
        (14.0, {"LCPV", "RSPV", "RIPV"}),
        (6.0, {"LSPV", "LIPV", "RSPV", "RIPV"}),
    ):
        claims = [claim(r, k) for k, r in enumerate(("LSPV", "LIPV", "RSPV", "RIPV", "MV"))]
        claims.append(claim("LCPV", 0, members=(0, 1), diameter_mm=24.0, shared_mm=shared))
        naming = name_candidates(claims, 10.0)
        assert set(naming.roles) - {"MV"} == expected


def test_a_part_shared_by_two_veins_is_one_vein_only_as_wide_as_veins_are():
    for diameter, expected in ((17.0, {"RIPV"}), (31.0, {"RIPV", "RMPV"})):
        roles = (*FOUR, "RMPV")
        claims = [claim(r, k) for k, r in enumerate(roles)]
        members = (roles.index("RIPV"), roles.index("RMPV"))
        claims.append(claim("RIPV", 0, members=members, diameter_mm=diameter, shared_mm=5.0))
        naming = name_candidates(claims, 10.0)
        assert set(naming.roles) == (set(FOUR) - {"RIPV"}) | expected


def test_a_label_outweighs_the_place():
    turn = Rotation.from_rotvec(np.radians(35.0) * np.array([0.0, 1.0, 0.0]))
    claims = [claim(r, k, turn, hint=r if r != "MV" else "") for k, r in enumerate(FOUR)]
    assert {r: FOUR[k] for r, k in name_candidates(claims, 10.0).roles.items()} == {
        r: r for r in FOUR
    }


def test_two_veins_side_by_side_have_doubtful_names():
    _, sure = named(FOUR)
    claims = [claim(r, k) for k, r in enumerate(FOUR)]
    middle = unit(np.add(TEMPLATE["LSPV"][0], TEMPLATE["LIPV"][0]))
    for k in (0, 1):
        claims[k] = claim("LSPV", k, place=middle, direction=middle)
    doubtful = name_candidates(claims, 10.0)
    assert doubtful.confidence["LSPV"] < 0.6 < sure.confidence["LSPV"]
    assert doubtful.runner_up["LSPV"] == "LIPV"


def test_no_vein_at_all_is_refused():
    with pytest.raises(InputError, match="no pulmonary vein"):
        named(("MV",))
