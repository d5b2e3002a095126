"""From label volumes to the lumen: meaning of the values, parts, cavities, borders, notes."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.sparse import csgraph
from scipy.spatial.transform import Rotation

from veinfit.errors import InputError
from veinfit.labels import LabelMap, LabelVolume, lumen_input
from veinfit.labels.counting import crop_to_values, value_counts
from veinfit.settings import SurfaceSettings
from veinfit.surface.mesh import edge_graph, edges, enclosed_volume
from veinfit.vectors import apply_affine

SETTINGS = SurfaceSettings()
EDGE = 1.5
SHAPE = (44, 40, 38)


def body(dtype=np.uint8) -> np.ndarray:
    """A ball of 48 mm across, 58 mL, with a vein on +i that ends inside the grid."""
    values = np.zeros(SHAPE, dtype)
    i, j, k = np.ogrid[: SHAPE[0], : SHAPE[1], : SHAPE[2]]
    values[(i - 20) ** 2 + (j - 20) ** 2 + (k - 19) ** 2 <= 16**2] = 1
    values[34:41, 17:23, 16:22] = 2
    return values


def volume(values, affine=None) -> LabelVolume:
    return LabelVolume(values, np.diag([EDGE, EDGE, EDGE, 1.0]) if affine is None else affine)


MEANING = LabelMap({"left_atrium": (1,), "LSPV": (2,)}, {})


def texts(lumen) -> str:
    return " | ".join(f"{note.severity}: {note.text}" for note in lumen.notes)


def refused(*args) -> str:
    with pytest.raises(InputError) as caught:
        lumen_input(*args, SETTINGS)
    assert "\n" not in str(caught.value)
    return str(caught.value)


# ---- meaning of the values ------------------------------------------------------------------


def test_one_value_without_a_map_is_the_atrium():
    values = body()
    values[values > 0] = 5
    lumen = lumen_input(volume(values), None, SETTINGS)
    expected = np.count_nonzero(values) * EDGE**3
    assert enclosed_volume(lumen.surface) == pytest.approx(expected, rel=0.005)
    assert lumen.hints == {}
    assert lumen.structures == {}
    assert lumen.septum_points.shape == (0, 3)
    assert lumen.resolution_mm == EDGE
    assert lumen.notes == ()


def test_labels_become_hints_at_voxel_centres():
    affine = np.eye(4)
    affine[:3, :3] = Rotation.random(random_state=4).as_matrix() * (1.4, 1.5, -1.3)
    affine[:3, 3] = 40, -120, 300
    values = body()
    lumen = lumen_input(volume(values, affine), MEANING, SETTINGS)
    for name, value in (("left_atrium", 1), ("LSPV", 2)):
        expected = apply_affine(affine, np.argwhere(values == value))
        assert lumen.hints[name] == pytest.approx(expected)
    assert enclosed_volume(lumen.surface) > 0
    centres = np.concatenate(list(lumen.hints.values()))
    for end in (np.min, np.max):
        at = end(lumen.surface.points, axis=0)
        assert at == pytest.approx(end(centres, axis=0), abs=1.5)


def test_a_map_of_one_label_gives_no_hints():
    values = np.minimum(body(), 1)
    assert lumen_input(volume(values), LabelMap({"left_atrium": (1,)}, {}), SETTINGS).hints == {}


def test_several_values_of_a_name_are_joined():
    lumen = lumen_input(volume(body()), LabelMap({"left_atrium": (1, 2)}, {}), SETTINGS)
    expected = np.count_nonzero(body()) * EDGE**3
    assert enclosed_volume(lumen.surface) == pytest.approx(expected, rel=0.005)


def test_structures_and_septum_stand_apart():
    values = body()
    values[2:6, 2:6, :] = 3
    values[10:14, 0:3, 10:14] = 4
    meaning = LabelMap(
        {"left_atrium": (1,), "LSPV": (2,), "septum": (4,)}, {"oesophagus": (3,), "aorta": (9,)}
    )
    lumen = lumen_input(volume(values), meaning, SETTINGS)
    assert list(lumen.structures) == ["oesophagus"]
    assert enclosed_volume(lumen.structures["oesophagus"]) == pytest.approx(
        np.count_nonzero(values == 3) * EDGE**3, rel=0.005
    )
    assert np.array_equal(lumen.septum_points, np.argwhere(values == 4) * EDGE)
    assert set(lumen.hints) == {"left_atrium", "LSPV"}
    (note,) = [n for n in lumen.notes if n.subject == "aorta"]
    assert note.severity == "caution"
    assert "no distance" in note.text


def test_values_outside_the_map_are_noted():
    values = body()
    values[0, 0, :5] = 8
    assert "left out: 8: 5 voxels" in texts(lumen_input(volume(values), MEANING, SETTINGS))


def test_several_values_without_a_map():
    values = body()
    message = refused(volume(values), None)
    for value in (1, 2):
        assert f"{value}: {np.count_nonzero(values == value)} voxels" in message
    assert "--labels FILE" in message


def test_long_lists_are_cut():
    values = body()
    values[0, 0, :20] = np.arange(3, 23)
    assert "and 10 more values" in refused(volume(values), None)


def test_an_image_is_no_label_volume():
    values = np.arange(np.prod(SHAPE), dtype=np.uint32).reshape(SHAPE)
    assert "looks like an image" in refused(volume(values), None)


def test_labels_that_the_volume_does_not_hold():
    meaning = LabelMap(
        {"left_atrium": (1,), "LSPV": (77,), "RSPV": (78, 79)}, {}, "label map m.toml"
    )
    message = refused(volume(body()), meaning)
    assert message.startswith("label map m.toml: ")
    assert "LSPV = 77; RSPV = 78, 79" in message
    assert "1: 17" in message


def test_a_value_among_several_may_be_missing():
    meaning = LabelMap({"left_atrium": (1, 50), "LSPV": (2,)}, {})
    assert "left_atrium: the volume holds no voxel of 50" in texts(
        lumen_input(volume(body()), meaning, SETTINGS)
    )


def test_values_far_above_the_type_of_the_volume():
    message = refused(volume(body()), LabelMap({"left_atrium": (1,), "LSPV": (70_000,)}, {}))
    assert "LSPV = 70000" in message


def test_large_values_are_told_apart():
    values = body(np.uint32)
    values[values == 2] = 3_000_000
    meaning = LabelMap({"left_atrium": (1,), "LSPV": (3_000_000,)}, {})
    lumen = lumen_input(volume(values), meaning, SETTINGS)
    assert len(lumen.hints["LSPV"]) == np.count_nonzero(body() == 2)


def test_zero_everywhere():
    assert "zero everywhere" in refused(volume(np.zeros(SHAPE, np.uint8)), None)


@pytest.mark.parametrize(("scale", "size"), [(0.1, "5.55"), (20.0, "1110")])
def test_size_that_no_atrium_has(scale, size):
    affine = np.diag([EDGE * scale] * 3 + [1.0])
    message = refused(volume(body(), affine), MEANING)
    assert f"is {size} mm across" in message
    assert "35 to 250 mm" in message


# ---- parts, cavities, borders ---------------------------------------------------------------


def test_noise_is_refused_before_its_surface_is_made():
    noise = np.random.default_rng(1).integers(0, 2, (90, 90, 90)).astype(np.uint8)
    said = refused(volume(noise, np.eye(4)), None)
    # Half of three faces a voxel, of 1 mm2 each, lie between two values; specks take a few.
    told = int(re.search(r"the label has (\d+) cm2 of border", said).group(1))
    assert told == pytest.approx(0.5 * 3 * 90**3 / 100, rel=0.05)
    assert "noise" in said and "smooth the segmentation" in said


def test_specks_are_dropped_and_counted():
    values = body()
    values[0, 0, 0] = values[43, 39, 37] = values[0, 39, 0] = 1
    lumen = lumen_input(volume(values), MEANING, SETTINGS)
    assert "caution: 3 specks apart from the atrium, 0.01 mL together" in texts(lumen)
    assert csgraph.connected_components(edge_graph(lumen.surface))[0] == 1
    assert len(lumen.hints["left_atrium"]) == np.count_nonzero(values == 1) - 3


def test_a_broken_off_vein_has_its_own_caution():
    values = body()
    values[36] = 0
    lumen = lumen_input(volume(values), MEANING, SETTINGS)
    said = texts(lumen)
    # Columns 37 to 40 of the vein: 4 × 6 × 6 voxels; column 35 is the last of the atrium.
    assert f"{4 * 36 * EDGE**3 / 1000:.2g} mL labelled LSPV, {2 * EDGE:.1f} mm from" in said
    assert "speck" not in said
    assert len(lumen.hints["LSPV"]) == np.count_nonzero(values[:36] == 2)


def test_parts_that_touch_at_an_edge_or_corner_are_parts():
    """The contour parts them there, so they must not be counted as one."""
    values = body()
    values[34:] = 0
    values[34:37, 20, 19] = 1
    reach = np.array([36, 20, 19])
    values[tuple(reach + (1, 1, 0))] = 2
    assert values[tuple(reach + (0, 1, 0))] == values[tuple(reach + (1, 0, 0))] == 0
    meaning = LabelMap({"left_atrium": (1, 2)}, {})
    lumen = lumen_input(volume(values), meaning, SETTINGS)
    assert "a speck of" in texts(lumen)
    assert csgraph.connected_components(edge_graph(lumen.surface))[0] == 1


@pytest.mark.parametrize("seed", range(4))
def test_surface_of_ragged_labels_is_one_closed_piece(seed):
    """Random holes and fringes: whatever is kept has one shell, every edge two faces."""
    rng = np.random.default_rng(seed)
    values = body()
    values[rng.random(SHAPE) < 0.35] = 0
    lumen = lumen_input(volume(values), LabelMap({"left_atrium": (1, 2)}, {}), SETTINGS)
    assert csgraph.connected_components(edge_graph(lumen.surface))[0] == 1
    assert set(edges(lumen.surface)[2]) == {2}


def test_cavities_are_filled():
    values = body()
    values[20, 20, 19] = 0
    values[15:17, 20, 19] = 9
    lumen = lumen_input(volume(values), MEANING, SETTINGS)
    assert "info: 2 cavities inside the lumen, 0.01 mL in all" in texts(lumen)
    expected = (np.count_nonzero(values < 9) - np.count_nonzero(values == 0) + 4) * EDGE**3
    assert enclosed_volume(lumen.surface) == pytest.approx(expected, rel=0.005)
    # A filled voxel belongs to no label.
    assert len(lumen.hints["left_atrium"]) == np.count_nonzero(values == 1)


def test_a_pocket_open_at_an_edge_is_no_cavity():
    """The contour joins background over edges, so this pocket is outside already."""
    values = np.zeros(SHAPE, np.uint8)
    values[4:36, 4:36, 4:36] = 1
    values[4, 4, 20] = values[5, 5, 20] = 0
    lumen = lumen_input(volume(values), None, SETTINGS)
    assert "cavity" not in texts(lumen)
    expected = (32**3 - 2) * EDGE**3
    assert enclosed_volume(lumen.surface) == pytest.approx(expected, rel=1e-4)


def test_a_large_cavity_is_cautioned():
    values = body()
    values[17:24, 17:24, 17:24] = 0
    assert "caution: a cavity inside the lumen, 1.2 mL" in texts(
        lumen_input(volume(values), MEANING, SETTINGS)
    )


@pytest.mark.parametrize(
    ("cut", "side"),
    [
        (np.s_[8:], "right"),
        (np.s_[:30], "left"),
        (np.s_[:, 8:], "anterior"),
        (np.s_[:, :30], "posterior"),
        (np.s_[:, :, 8:], "inferior"),
        (np.s_[:, :, :30], "superior"),
    ],
)
def test_lumen_cut_by_the_field_of_view(cut, side):
    """In LPS the low end of x is right, of y anterior, of z inferior (PS3.3 C.7.6.2.1.1)."""
    values = np.minimum(body()[cut], 1)
    said = texts(lumen_input(volume(values), None, SETTINGS))
    assert f"caution: the lumen reaches the {side} border of the volume over" in said
    # The same grid turned half round about z: left and right, front and back change places.
    turned = np.diag([-EDGE, -EDGE, EDGE, 1.0])
    other = {"right": "left", "left": "right", "anterior": "posterior", "posterior": "anterior"}
    said = texts(lumen_input(volume(values, turned), None, SETTINGS))
    assert f"reaches the {other.get(side, side)} border" in said


def test_a_lumen_cropped_tight_is_only_remarked():
    values = np.minimum(body(), 1)
    values[34:] = 0
    i = int(np.flatnonzero(values.any(axis=(1, 2)))[0])
    values = values[i:]
    single = np.count_nonzero(values[0])
    assert single * EDGE**2 < 20
    said = texts(lumen_input(volume(values), None, SETTINGS))
    assert said.startswith("info: the lumen reaches the right border")


def test_thick_slices_are_cautioned():
    affine = np.diag([EDGE, EDGE, 3.0, 1.0])
    assert "caution: voxels of 3 mm" in texts(
        lumen_input(volume(body(), affine), MEANING, SETTINGS)
    )


def test_notes_of_the_reader_come_first():
    from veinfit.notes import Note

    note = Note("input", "as read", severity="caution")
    made = LabelVolume(body(), np.diag([EDGE] * 3 + [1.0]), (note,))
    assert lumen_input(made, MEANING, SETTINGS).notes == (note,)


# ---- values and types -----------------------------------------------------------------------


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.uint32])
def test_counts_and_crops_do_not_depend_on_memory_order(rng, order, dtype, monkeypatch):
    monkeypatch.setattr("veinfit.labels.counting.SLAB_VOXELS", 50)
    values = np.zeros((9, 11, 13), dtype)
    values[2:5, 3:9, 4:6] = rng.integers(0, 4, (3, 6, 2))
    values = np.asarray(values, order=order)
    expected = {v: int(np.count_nonzero(values == v)) for v in (1, 2, 3)}
    assert value_counts(values) == expected
    part, low = crop_to_values(values, [2, 3])
    where = np.argwhere(values >= 2)
    assert np.array_equal(low, where.min(axis=0))
    assert part.shape == tuple(np.ptp(where, axis=0) + 1)
    empty, _ = crop_to_values(values, [7])
    assert empty.size == 0


def test_volume_refuses_what_is_no_label_volume():
    with pytest.raises(ValueError, match="unsigned"):
        LabelVolume(np.zeros(SHAPE, np.int16), np.eye(4))
    with pytest.raises(ValueError, match="3-D"):
        LabelVolume(np.zeros((4, 4), np.uint8), np.eye(4))
    with pytest.raises(ValueError, match=r"\(4, 4\)"):
        LabelVolume(np.zeros(SHAPE, np.uint8), np.eye(3))


def test_input_is_left_as_it_was():
    values = body()
    before = values.copy()
    lumen_input(volume(values), MEANING, SETTINGS)
    assert np.array_equal(values, before)
    values[0, 0, 0] = 1  # The caller's own array stays writable.
