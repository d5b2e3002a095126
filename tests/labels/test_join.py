"""Label volumes on several grids, put onto one: against shapes known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from voxels import ball, grid

from veinfit.errors import InputError
from veinfit.labels.join import Grid, crop_part, join_parts
from veinfit.labels.lumen import lumen_input
from veinfit.labels.model import LabelMap, LabelVolume
from veinfit.settings import SurfaceSettings
from veinfit.surface.mesh import enclosed_volume
from veinfit.vectors import apply_affine

RADIUS = 24.0
BODY_MM3 = 4 / 3 * np.pi * RADIUS**3


def part(name, value, on, inside):
    return crop_part(name, value, on.sample(inside), on.affine)


def as_grid(on) -> Grid:
    return Grid(np.array(on.shape), on.affine)


def texts(volume) -> str:
    return " | ".join(f"{note.severity}: {note.text}" for note in volume.notes)


def test_parts_of_one_grid_are_put_together_as_they_are():
    on = grid((1.0, 1.0, 1.0), 70.0, np.random.default_rng(1))
    body, vein = on.sample(ball(RADIUS)), on.sample(ball(6.0, (RADIUS, 0, 0)))
    joined = join_parts(
        [crop_part("left_atrium", 1, body, on.affine), crop_part("LSPV", 2, vein, on.affine)],
        as_grid(on),
    )
    low = np.rint(np.linalg.inv(on.affine) @ joined.affine)[:3, 3].astype(int)
    box = tuple(slice(a, a + n) for a, n in zip(low, joined.values.shape, strict=True))
    # Where both claim a voxel, the vein has it.
    assert np.array_equal(joined.values, np.where(vein, 2, body.astype(int))[box])
    assert joined.notes == () and not joined.cut.any()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_turned_grid_of_other_voxels_keeps_place_and_size(seed):
    rng = np.random.default_rng(seed)
    turn = Rotation.random(random_state=seed).as_matrix()
    on = grid((1.0, 1.0, 1.0), 70.0, rng)
    other = grid((0.9, 1.1, 1.3), 66.0, rng, turn, left_handed=True)
    centre = np.array([14.0, 9.0, -7.0])
    joined = join_parts(
        [
            part("left_atrium", 1, on, ball(RADIUS)),
            part("oesophagus", 7, other, ball(11.0, centre)),
        ],
        as_grid(on),
    )
    assert "oesophagus lies on another grid" in texts(joined)
    # The atrium has what they share; so the ball is looked at alone.
    alone = join_parts(
        [
            part("left_atrium", 1, on, ball(3.0, centre + (16, 0, 0))),
            part("oesophagus", 7, other, ball(11.0, centre)),
        ],
        as_grid(on),
    )
    found = np.argwhere(alone.values == 7)
    # Volume and centre of a ball: 4/3 pi r^3. Interpolation of a mask cuts no more than it adds.
    assert len(found) == pytest.approx(4 / 3 * np.pi * 11.0**3, rel=0.01)
    assert apply_affine(alone.affine, found).mean(axis=0) == pytest.approx(centre, abs=0.05)


def test_a_probability_is_cut_at_its_level_between_voxels():
    on = grid((1.0, 1.0, 1.0), 70.0, np.random.default_rng(5))
    other = grid((2.0, 2.0, 2.0), 70.0, np.random.default_rng(6))
    index = np.indices(other.shape).reshape(3, -1).T
    away = np.linalg.norm(apply_affine(other.affine, index), axis=1).reshape(other.shape)
    # Linear in the distance: 0.5 at the radius, 0.3 two and a half millimetres farther out.
    shares = np.clip(0.5 - 0.08 * (away - 20.0), 0.0, 1.0)
    for level, radius in ((0.5, 20.0), (0.3, 22.5)):
        body = crop_part("left_atrium", 1, shares, other.affine, level)
        joined = join_parts([body], as_grid(on))
        count = np.count_nonzero(joined.values)
        assert count == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.015)


def test_axes_in_another_order_and_direction_are_the_same_points():
    on = grid((1.0, 1.2, 0.8), 70.0, np.random.default_rng(2))
    mask = on.sample(ball(9.0, (22.0, 3.0, 4.0)))
    turned = np.ascontiguousarray(mask.transpose(2, 0, 1)[::-1])
    affine = on.affine.copy()
    affine[:3, :3] = on.affine[:3, [2, 0, 1]] * (-1, 1, 1)
    affine[:3, 3] = apply_affine(on.affine, np.array([0, 0, mask.shape[2] - 1]))
    both = [
        join_parts(
            [part("left_atrium", 1, on, ball(20.0)), crop_part("LSPV", 2, m, a)], as_grid(on)
        )
        for m, a in ((mask, on.affine), (turned, affine))
    ]
    points = [apply_affine(v.affine, np.argwhere(v.values == 2)) for v in both]
    assert points[0] == pytest.approx(points[1], abs=1e-6)
    assert both[1].notes == ()


def test_a_part_beyond_the_grid_extends_it_and_no_cut_is_told_there():
    on = grid((1.0, 1.0, 1.0), 70.0, np.random.default_rng(3))
    body = on.sample(ball(RADIUS))
    # The atrium's volume ends at +x 20 mm; that of the vein goes on.
    index = np.rint(np.linalg.inv(on.affine) @ (20.0, 0, 0, 1))[:1].astype(int)[0]
    short = body[: index + 1]
    rest = body.copy()
    rest[: index - 2] = False
    whole = join_parts(
        [
            crop_part("left_atrium", 1, short, on.affine),
            crop_part("pulmonary_veins", 2, rest, on.affine),
        ],
        Grid(np.array(short.shape), on.affine),
    )
    assert np.count_nonzero(whole.values) == np.count_nonzero(body)
    assert not whole.cut.any()
    labels = LabelMap({"left_atrium": (1,), "pulmonary_veins": (2,)}, {})
    read = lumen_input(whole, labels, SurfaceSettings())
    assert enclosed_volume(read.surface) == pytest.approx(BODY_MM3, rel=0.01)
    assert not len(read.image_border_points)

    alone = join_parts(
        [crop_part("left_atrium", 1, short, on.affine)], Grid(np.array(short.shape), on.affine)
    )
    read = lumen_input(alone, LabelMap({"left_atrium": (1,)}, {}), SurfaceSettings())
    # The cut disc at 20 of 24 mm: radius sqrt(24^2 - 20^2) = 13.3 mm.
    x = alone.world_points(np.argwhere(alone.cut))[:, 0]
    assert len(x) == pytest.approx(np.pi * (RADIUS**2 - 20.0**2), rel=0.1)
    assert np.ptp(x) < 1e-9 and abs(x[0] - 20.0) < 0.6
    assert len(read.image_border_points) == len(x)
    assert "reaches the border of an image on the left side" in texts(read)


def test_neighbours_that_overlap_and_grids_that_do_not_match_are_told():
    on = grid((1.0, 1.0, 1.0), 70.0, np.random.default_rng(4))
    parts = [
        part("left_atrium", 1, on, ball(RADIUS)),
        part("oesophagus", 7, on, ball(8.0, (0, RADIUS, 0))),
    ]
    assert "caution: oesophagus overlaps the parts of the atrium by" in texts(
        join_parts(parts, as_grid(on))
    )
    moved = on.affine.copy()
    moved[0, 3] += 3.3
    joined = join_parts(
        [parts[0], crop_part("LSPV", 2, on.sample(ball(8.0, (20.0, 0, 0))), moved)], as_grid(on)
    )
    assert "has as many voxels as the input but lies up to 3.3 mm from it" in texts(joined)
    coarse = grid((2.0, 2.0, 2.0), 70.0, np.random.default_rng(4))
    joined = join_parts(
        [
            part("left_atrium", 1, coarse, ball(RADIUS)),
            part("LSPV", 2, on, ball(8.0, (20.0, 0, 0))),
        ],
        as_grid(coarse),
    )
    assert "LSPV is finer than the input" in texts(joined)


def test_parts_of_another_frame_are_refused():
    on = grid((1.0, 1.0, 1.0), 70.0, np.random.default_rng(4))
    far = on.affine.copy()
    far[1, 3] += 90.0
    with pytest.raises(InputError, match=r"LSPV lies \d+ mm from that of left_atrium"):
        join_parts(
            [
                part("left_atrium", 1, on, ball(RADIUS)),
                crop_part("LSPV", 2, on.sample(ball(8.0, (20.0, 0, 0))), far),
            ],
            as_grid(on),
        )


def test_a_volume_as_such_has_no_cut_of_its_own():
    volume = LabelVolume(np.ones((9, 9, 9), np.uint8), np.eye(4))
    assert volume.cut is None
