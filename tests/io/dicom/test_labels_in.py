"""Segmentations and structure sets in: where they lie, what they mean, how they can be wrong."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.transform import Rotation
from skimage import measure

pytest.importorskip("highdicom")

import dicom_made as made
from pydicom import config
from pydicom.uid import RLELossless, generate_uid

from veinfit.errors import InputError
from veinfit.io.dicom.labels import read_segments
from veinfit.io.files import input_kind
from veinfit.io.inputs.gathering import read_labels
from veinfit.io.inputs.label_map import label_map_from_mapping
from veinfit.io.results.provenance import input_files
from veinfit.labels.lumen import lumen_input
from veinfit.settings import SurfaceSettings
from veinfit.surface.mesh import enclosed_volume
from veinfit.vectors import apply_affine

# PS3.3 C.7.6.2.1.1, worked by hand: position (-99.8, -282.8, 94.25), orientation 1\0\0\0\1\0,
# spacing 0.5\0.4 (rows \ columns), step 1.25. Column 3, row 2, slice 1: (-98.6, -281.8, 95.5).
STRAIGHT = np.array([[0.4, 0, 0, -99.8], [0, 0.5, 0, -282.8], [0, 0, 1.25, 94.25], [0, 0, 0, 1]])
# The same spacing turned by 30 degrees about z at (10, 20, 30): (10.5392, 21.4660, 31.25).
OBLIQUE = np.array(
    [[0.34641016, -0.25, 0, 10], [0.2, 0.4330127, 0, 20], [0, 0, 1.25, 30], [0, 0, 0, 1]]
)
# Slices stored from the head down: slice 1 lies at 94.25 - 1.25 = 93.
REVERSED = np.array([[0.4, 0, 0, -99.8], [0, 0.5, 0, -282.8], [0, 0, -1.25, 94.25], [0, 0, 0, 1]])
# A gantry tilted by 20 degrees, rows along (0, cos 20, sin 20), the table moved by 2.5 mm along z:
# y = -282.8 + 2 * 0.5 * 0.93969262, z = 94.25 + 2.5 + 2 * 0.5 * 0.34202014.
GANTRY = np.array(
    [[0.4, 0, 0, -99.8], [0, 0.46984631, 0, -282.8], [0, 0.17101007, 2.5, 94.25], [0, 0, 0, 1]]
)
VOXEL = (3, 2, 1)
PLACES = [
    (STRAIGHT, (-98.6, -281.8, 95.5)),
    (OBLIQUE, (10.53923048, 21.4660254, 31.25)),
    (REVERSED, (-98.6, -281.8, 93.0)),
    (GANTRY, (-98.6, -281.86030738, 97.09202014)),
]
SHAPE = (18, 16, 12)

EDGE = 1.5
ATRIUM = np.array([[EDGE, 0, 0, -30], [0, EDGE, 0, -20], [0, 0, EDGE, 10], [0, 0, 0, 1.0]])
COL, ROW, CUT = np.ogrid[:44, :40, :38]
BODY = (COL - 20) ** 2 + (ROW - 20) ** 2 + (CUT - 19) ** 2 <= 16**2
VEIN = np.zeros_like(BODY)
VEIN[34:41, 17:23, 16:22] = True
GULLET = (COL - 18) ** 2 + (ROW - 37) ** 2 <= 2**2
GULLET = np.broadcast_to(GULLET, BODY.shape).copy()
MASKS = {"LA": BODY, "upper left": VEIN & ~BODY, "gullet": GULLET & ~BODY}


@pytest.fixture(scope="module")
def source():
    return made.series(ATRIUM, np.zeros(BODY.shape))


@pytest.fixture(scope="module")
def binary(source, tmp_path_factory):
    path = tmp_path_factory.mktemp("seg") / "1.2.840.1"
    return made.save(made.segmentation(source, MASKS, "BINARY"), path)


def places(volume, values):
    """Centres of voxels with these values, LPS mm, in one order."""
    found = volume.world_points(np.argwhere(np.isin(volume.values, values)))
    return found[np.lexsort(np.round(found, 3).T)]


def expected(name):
    points = apply_affine(ATRIUM, np.argwhere(MASKS[name]))
    return points[np.lexsort(np.round(points, 3).T)]


def assert_same(points, name):
    assert points == pytest.approx(expected(name), abs=1e-5)


@pytest.mark.parametrize(("affine", "place"), PLACES)
@pytest.mark.parametrize("kind", ["BINARY", "FRACTIONAL", "LABELMAP"])
def test_a_voxel_lies_where_it_was_worked_by_hand(affine, place, kind, tmp_path):
    mask = np.zeros(SHAPE, bool)
    mask[VOXEL] = True
    pixels = mask.astype(float) if kind == "FRACTIONAL" else mask
    ds = made.segmentation(made.series(affine, np.zeros(SHAPE)), {"LA": pixels}, kind)
    held = read_segments(made.save(ds, tmp_path / "one.dcm"))
    index = np.argwhere(held.segments[0].shares >= 0.5)
    assert apply_affine(held.affine, index) == pytest.approx(np.array([place]), abs=1e-6)


@pytest.mark.parametrize("kind", ["BINARY", "FRACTIONAL", "LABELMAP"])
def test_segments_are_told_by_their_codes(source, kind, tmp_path):
    masks = {n: m * 0.9 if kind == "FRACTIONAL" else m for n, m in MASKS.items()}
    path = made.save(made.segmentation(source, masks, kind), tmp_path / "seg.dcm")
    volume, label_map = read_labels(path, None)
    assert set(label_map.labels) == {"left_atrium", "LSPV"}
    assert set(label_map.structures) == {"oesophagus"}
    assert places(volume, label_map.labels["left_atrium"]) == pytest.approx(
        expected("LA"), abs=1e-5
    )
    assert places(volume, label_map.labels["LSPV"]) == pytest.approx(
        expected("upper left"), abs=1e-5
    )
    surface = lumen_input(volume, label_map, SurfaceSettings()).surface
    truth = np.count_nonzero(BODY | VEIN) * EDGE**3
    assert enclosed_volume(surface) == pytest.approx(truth, rel=0.005)


def test_segments_of_a_tilted_gantry_lie_where_they_lay(tmp_path):
    """A ball, drawn on slices that the tilt shifts by a quarter of their distance."""
    tilted = ATRIUM.copy()
    tilted[1, 2] = 0.4
    points = apply_affine(tilted, np.indices(BODY.shape).reshape(3, -1).T)
    centre = apply_affine(tilted, (20.0, 20, 19))
    ball = (np.linalg.norm(points - centre, axis=1) < 22.0).reshape(BODY.shape)
    source = made.series(tilted, np.zeros(BODY.shape))
    path = made.save(made.segmentation(source, {"LA": ball}, "BINARY"), tmp_path / "seg.dcm")
    volume, label_map = read_labels(path, None)
    (note,) = volume.notes
    # atan(0.4 / 1.5)
    assert "tilted by 14.9°" in note.text and "1.5 × 1.5 × 1.5 mm" in note.text
    surface = lumen_input(volume, label_map, SurfaceSettings()).surface
    away = np.linalg.norm(surface.points - centre, axis=1)
    assert away == pytest.approx(22.0, abs=0.6)
    assert away.mean() == pytest.approx(22.0, abs=0.05)


def test_an_independent_reader_agrees(binary, tmp_path):
    """dcmqi, in C++, writes what it finds in the file; the voxels lie at the same places."""
    dcmqi = pytest.importorskip("dcmqi")
    tool = Path(dcmqi.__file__).parent / "bin" / "segimage2itkimage"
    command = [tool, "--inputDICOM", str(binary), "--outputDirectory", str(tmp_path), "-t", "nii"]
    subprocess.run(command, check=True, capture_output=True)
    import nibabel

    other = nibabel.load(tmp_path / "1.nii.gz")
    index = np.argwhere(np.asarray(other.dataobj) > 0)
    found = apply_affine(np.diag([-1.0, -1.0, 1.0, 1.0]) @ other.affine, index)
    found = found[np.lexsort(np.round(found, 3).T)]
    volume, label_map = read_labels(binary, None)
    assert places(volume, label_map.labels["left_atrium"]) == pytest.approx(found, abs=1e-3)


def test_frames_in_any_order_and_compressed(source, tmp_path):
    ds = made.segmentation(source, MASKS, "FRACTIONAL", transfer_syntax_uid=RLELossless)
    path = made.save(ds, tmp_path / "packed.dcm")
    volume, label_map = read_labels(path, None)
    assert len(places(volume, label_map.labels["LSPV"])) == np.count_nonzero(MASKS["upper left"])

    ds = made.segmentation(source, MASKS, "FRACTIONAL")
    frames = list(ds.PerFrameFunctionalGroupsSequence)
    order = np.random.default_rng(1).permutation(len(frames))
    pixels = np.frombuffer(ds.PixelData, np.uint8).reshape(len(frames), -1)
    ds.PerFrameFunctionalGroupsSequence = [frames[k] for k in order]
    ds.PixelData = pixels[order].tobytes()
    volume, label_map = read_labels(made.save(ds, tmp_path / "mixed.dcm"), None)
    assert places(volume, label_map.labels["LSPV"]) == pytest.approx(
        expected("upper left"), abs=1e-5
    )


@pytest.mark.parametrize(
    "vein",
    [{"segment": "Upper_Left"}, {"code": "SCT:43863001"}, {"code": "43863001"}, {"value": 2}],
)
def test_a_map_tells_segments_by_name_code_or_number(binary, vein):
    text = {"labels": {"left_atrium": {"segment": "LA"}, "LIPV": vein}}
    volume, label_map = read_labels(binary, label_map_from_mapping(text))
    assert places(volume, label_map.labels["LIPV"]) == pytest.approx(
        expected("upper left"), abs=1e-5
    )


def test_plain_numbers_of_a_map_are_numbers_of_segments(binary):
    text = {"labels": {"left_atrium": 1, "LIPV": 2}}
    volume, label_map = read_labels(binary, label_map_from_mapping(text))
    assert places(volume, label_map.labels["LIPV"]) == pytest.approx(
        expected("upper left"), abs=1e-5
    )


def test_an_appendage_by_either_code():
    """Left auricular appendage, or an atrial appendage with the laterality left."""
    from pydicom.sr.codedict import codes

    from veinfit.io.dicom.common import CODED_LABELS

    assert codes.SCT.LeftAuricularAppendage.value == "33626005"
    assert CODED_LABELS["SCT:33626005"] == CODED_LABELS["SCT:68786006 SCT:7771000"] == "appendage"
    assert "SCT:68786006" not in CODED_LABELS


def test_codes_are_those_of_the_dictionary():
    from pydicom.sr._snomed_dict import mapping
    from pydicom.sr.codedict import codes

    from veinfit.io.dicom.common import CODED_LABELS, coded

    named = {
        "LeftAtrium": "left_atrium", "LeftSuperiorPulmonaryVein": "LSPV",
        "SuperiorLeftPulmonaryVein": "LSPV", "InferiorLeftPulmonaryVein": "LIPV",
        "SuperiorRightPulmonaryVein": "RSPV", "InferiorRightPulmonaryVein": "RIPV",
        "PulmonaryVein": "pulmonary_veins", "Esophagus": "oesophagus", "Aorta": "aorta",
    }  # fmt: skip
    known = {n: getattr(codes.SCT, n) for n in named if hasattr(codes.SCT, n)}
    assert len(known) >= 7
    for keyword, code in known.items():
        assert CODED_LABELS[f"SCT:{code.value}"] == named[keyword]
    old = {new: rt for rt, new in mapping["SRT"].items()}["82471001"]
    item = made.Dataset()
    item.CodeValue, item.CodingSchemeDesignator = old, "SRT"
    assert coded(item) == "SCT:82471001"


def test_a_dicom_file_is_known_by_its_start(binary):
    assert input_kind(binary) == "volume"
    assert input_files("input", binary)[0].format == ".dcm"


def changed(path, ds, **values):
    for name, value in values.items():
        setattr(ds, name, value)
    return made.save(ds, path)


def refused(path, label_map=None, also=()):
    with pytest.raises(InputError) as caught:
        read_labels(path, label_map, also)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_what_is_wrong_with_a_segmentation_is_told(source, binary, tmp_path):
    small = np.zeros(SHAPE, bool)
    small[4:8, 4:8, 3:9] = True
    series = made.series(STRAIGHT, np.zeros(SHAPE))

    def fresh(mask=small, name="LA"):
        return made.segmentation(series, {name: mask}, "FRACTIONAL")

    path = tmp_path / "a.dcm"
    path.write_bytes(binary.read_bytes()[:3000])
    assert "holds no frame: it may be cut short" in refused(path)
    path.write_bytes(b"\0" * 128 + b"DICM")
    assert "volume" in refused(path)
    path.write_bytes(b"no DICOM at all")
    assert "cannot be read as DICOM" in refused(path)
    told = refused(made.save(series[0], path))
    assert "is CT Image Storage; give a Segmentation or an RT Structure Set" in told

    hole = small.copy()
    hole[:, :, 5] = False
    assert "has no frame of segment 1 (LA) in 1 of the 6 slices" in refused(
        made.save(fresh(hole), path)
    )

    ds = fresh()
    again = ds.PerFrameFunctionalGroupsSequence[2].PlanePositionSequence[0]
    again.ImagePositionPatient = (
        ds.PerFrameFunctionalGroupsSequence[1].PlanePositionSequence[0].ImagePositionPatient
    )
    assert "has 2 frames of segment 1 at -99.8" in refused(made.save(ds, path))

    ds = fresh()
    for k, frame in enumerate(ds.PerFrameFunctionalGroupsSequence):
        place = frame.PlanePositionSequence[0].ImagePositionPatient
        place[1] = float(place[1]) + 0.3 * (k % 2)
    assert "shifted unevenly; resample" in refused(made.save(ds, path))

    unknown = refused(made.save(fresh(name="blob"), path))
    assert "no segment that is coded as the left atrium" in unknown and "1: blob" in unknown
    label_map = label_map_from_mapping({"labels": {"left_atrium": {"segment": "heart"}}})
    assert "has no segment for left_atrium; it holds 1: LA" in refused(binary, label_map)
    gone = label_map_from_mapping({"labels": {"left_atrium": 1, "LSPV": "gone.dcm"}})
    assert "gone.dcm does not exist" in refused(binary, gone)


def test_files_of_different_frames_of_reference_are_refused(binary, tmp_path):
    other = made.segmentation(
        made.series(ATRIUM, np.zeros(BODY.shape)), {"upper left": VEIN}, "BINARY"
    )
    path = made.save(other, tmp_path / "other.dcm")
    text = {"labels": {"left_atrium": 1, "LSPV": {"file": str(path)}}}
    assert "lie in different frames of reference" in refused(binary, label_map_from_mapping(text))


# ---- structure sets ---------------------------------------------------------------------------

TURN = Rotation.from_euler("xyz", (20, -15, 40), degrees=True).as_matrix()


def rings(radius_at, heights, centre=(0.0, 0.0), count=72, turn=None):
    """Round contours at heights, mm, in the planes of a turned stack."""
    turn = np.eye(3) if turn is None else turn
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    found = []
    for z in heights:
        radius = radius_at(z)
        if radius > 0.5:
            ring = np.column_stack(
                [centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle),
                 np.full(count, z)]
            )  # fmt: skip
            found.append(ring @ turn.T)
    return found


def ball_rings(radius, **options):
    heights = np.arange(-30, 31) * 1.0
    return rings(lambda z: np.sqrt(max(radius**2 - z**2, 0.0)), heights, **options)


@pytest.mark.parametrize("turn", [None, TURN])
def test_contours_enclose_what_they_enclose(turn, tmp_path):
    ds = made.structure_set({"left atrium": ball_rings(22.0, turn=turn)})
    volume, label_map = read_labels(made.save(ds, tmp_path / "rt.dcm"), None)
    points = places(volume, label_map.labels["left_atrium"])
    surface = lumen_input(volume, label_map, SurfaceSettings()).surface
    # Slices of 1 mm of a ball: pi r^2 a slice, of a polygon of 72 sides.
    area = 72 / 2 * np.sin(2 * np.pi / 72)
    truth = sum(area * (22.0**2 - z**2) for z in range(-21, 22))
    assert enclosed_volume(surface) == pytest.approx(truth, rel=0.005)
    assert points.mean(axis=0) == pytest.approx((0, 0, 0), abs=0.02)
    # The wall lies within 0.3 mm of the ball, away from its poles, where slices are steps.
    away = np.linalg.norm(surface.points, axis=1)
    along = surface.points @ (np.eye(3) if turn is None else turn)[:, 2]
    side = np.abs(along) < 12.0
    assert np.abs(away[side] - 22.0).max() < 0.3


def test_a_contour_within_another_is_a_hole(tmp_path):
    outer = rings(lambda z: 20.0, np.arange(-20.0, 21.0))
    inner = rings(lambda z: 8.0, np.arange(-20.0, 21.0))
    held = read_segments(
        made.save(made.structure_set({"LA": [*outer, *inner]}), tmp_path / "rt.dcm")
    )
    # Planes 1 mm apart: voxels of 1 mm.
    assert np.linalg.norm(held.affine[:3, :3], axis=0) == pytest.approx((1.0, 1.0, 1.0))
    area = held.segments[0].shares[:, :, 20].sum()
    assert area == pytest.approx(72 / 2 * np.sin(2 * np.pi / 72) * (20.0**2 - 8.0**2), rel=1e-3)


def midway(plane):
    """Contours at the half level of a mask, by scikit-image, in pixels."""
    return [c[:-1] - 1 for c in measure.find_contours(np.pad(plane.astype(float), 1), 0.5)]


def at_a_level(plane):
    """Contours at the half level of a blurred mask."""
    blurred = ndimage.gaussian_filter(np.pad(plane.astype(float), 4), 0.8)
    return [c[:-1] - 4 for c in measure.find_contours(blurred, 0.5)]


def along_borders(plane):
    """The pixels' own borders, chained with the inside on the left."""
    inside = np.pad(plane, 1)
    after = {}
    for i, j in np.argwhere(inside):
        ring = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1), (i, j)]
        for k, (di, dj) in enumerate([(0, -1), (1, 0), (0, 1), (-1, 0)]):
            if not inside[i + di, j + dj]:
                after.setdefault(ring[k], []).append(ring[k + 1])
    found = []
    while after:
        chain = [next(iter(after))]
        while (ahead := after[chain[-1]].pop()) != chain[0]:
            after = {place: to for place, to in after.items() if to}
            chain.append(ahead)
        after = {place: to for place, to in after.items() if to}
        found.append(np.array(chain) - 1.5)
    return found


def around_centres(plane):
    """From centre to centre of the outermost pixels of one piece (Moore neighbours)."""
    around = [(0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1)]
    inside = np.pad(plane, 1)
    here, back = tuple(np.argwhere(inside)[0]), 0
    start, chain = None, []
    while True:
        for k in range(1, 9):
            step = around[(back + k) % 8]
            ahead = (here[0] + step[0], here[1] + step[1])
            if inside[ahead]:
                break
        if start == (here, ahead):
            return [np.array(chain) - 1.0]
        start = start or (here, ahead)
        chain.append(here)
        # Looked at last before: where the next look begins.
        last = around[(back + k - 1) % 8]
        back = around.index((here[0] + last[0] - ahead[0], here[1] + last[1] - ahead[1]))
        here = ahead


MANNERS = {
    "run midway between the centres": midway,
    "at a level of smooth values": at_a_level,
    "run along the borders of pixels": along_borders,
    "join the centres of the outermost pixels": around_centres,
}


@pytest.mark.parametrize(
    ("told", "affine"),
    # Rows of pixels are told by the lines along them: contours at a level have none, and are
    # known where rows run along the patient's axes.
    [*((told, STRAIGHT) for told in MANNERS), *((told, OBLIQUE) for told in MANNERS
                                               if "level" not in told)],
)  # fmt: skip
def test_contours_traced_along_pixels_give_the_mask_back(told, affine, tmp_path):
    """However they were traced; half a pixel lies between the manners."""
    col, row, cut = np.ogrid[:40, :36, :14]
    across, up = col - 16.3 - 0.37 * cut, row - 16.6 + 0.23 * cut
    mask = (across / 13) ** 2 + (up / 9) ** 2 + ((cut - 6) / 6.3) ** 2 <= 1
    mask |= (abs(up + 0.3 * across) < 3) & (across > 0) & (col < 38) & (abs(cut - 6) < 4)
    expected = mask
    if told.startswith("at a level"):
        expected = np.stack([ndimage.gaussian_filter(np.pad(mask[..., k].astype(float), 4), 0.8)
                             [4:-4, 4:-4] >= 0.5 for k in range(14)], axis=2)  # fmt: skip
    drawn = [
        apply_affine(affine, np.column_stack([contour, np.full(len(contour), k)]))
        for k in range(14) if mask[..., k].any() for contour in MANNERS[told](mask[..., k])
    ]  # fmt: skip
    held = read_segments(made.save(made.structure_set({"LA": drawn}), tmp_path / "rt.dcm"))
    (note,) = held.notes
    assert told in note.text
    found = apply_affine(held.affine, np.argwhere(held.segments[0].shares >= 0.5))
    index = apply_affine(np.linalg.inv(affine), found)
    assert index == pytest.approx(np.rint(index), abs=0.01)
    assert set(map(tuple, np.rint(index).astype(int))) == set(map(tuple, np.argwhere(expected)))


def test_contours_on_no_pixels_are_told_as_drawn(tmp_path):
    held = read_segments(
        made.save(made.structure_set({"LA": ball_rings(22.0)}), tmp_path / "rt.dcm")
    )
    assert [note.text.split(":")[0] for note in held.notes] == ["the contours follow no pixels"]


def test_what_is_wrong_with_contours_is_told(tmp_path):
    path = tmp_path / "rt.dcm"
    good = ball_rings(22.0)

    def said(regions, **options):
        return refused(made.save(made.structure_set(regions, **options), path))

    assert "has no contour in a plane amid others" in said({"left atrium": good[:20] + good[21:]})
    assert "has one contour twice in a plane" in said({"left atrium": [*good, good[5]]})
    aslant = [c @ Rotation.from_euler("x", k % 2 * 8, degrees=True).as_matrix().T
              for k, c in enumerate(good)]  # fmt: skip
    assert "do not lie in parallel planes" in said({"left atrium": aslant})
    uneven = [c + (0, 0, 0.4 * (k % 2)) for k, c in enumerate(good)]
    assert "mm apart; export them from one stack" in said({"left atrium": uneven})
    assert "no closed contour" in said({"left atrium": []})
    assert "contours in 2 planes" in said({"left atrium": good[:2]})
    assert "no segment that is coded as the left atrium" in said({"thing": good})
    ds = made.structure_set({"left atrium": good, "LSPV": good})
    ds.StructureSetROISequence[1].ReferencedFrameOfReferenceUID = generate_uid()
    assert "in 2 frames of reference" in refused(made.save(ds, path))


def test_nothing_is_printed(binary, capfd):
    config.settings.reading_validation_mode = config.WARN
    read_labels(binary, None)
    assert capfd.readouterr() == ("", "")


@pytest.mark.slow
def test_the_lumen_is_that_of_the_labels_whatever_brings_them(tmp_path):
    """An invented atrium as labels, as a segmentation, and as contours of every slice."""
    from scipy.spatial import cKDTree

    from veinfit.anatomy.lumen_input import LumenInput
    from veinfit.synthetic import build
    from veinfit.synthetic.draw.draw import draw_shape

    atrium = build(draw_shape(11, "four"))
    labelled = atrium.label_volume(spacing_mm=(0.8, 0.8, 0.8))
    volume = replace(labelled, values=(labelled.values > 0).astype(np.uint8))
    path = tmp_path / "seg.dcm"
    source = made.series(volume.affine, np.zeros(volume.values.shape))
    made.save(made.segmentation(source, {"LA": volume.values > 0}, "BINARY"), path)
    drawn = []
    for k in range(volume.values.shape[2]):
        plane = volume.values[:, :, k].astype(float)
        for contour in measure.find_contours(np.pad(plane, 1), 0.5):
            points = np.column_stack([contour[:-1] - 1, np.full(len(contour) - 1, k)])
            drawn.append(apply_affine(volume.affine, points))
    contours = made.save(made.structure_set({"left atrium": drawn}), tmp_path / "rt.dcm")

    def lumen(volume, label_map):
        read = lumen_input(volume, label_map, SurfaceSettings())
        return LumenInput(read.surface, read.hints, read.resolution_mm)

    plain = lumen(volume, None)
    # Veins are found from these values alone: where they are the same, so are the veins.
    for other in (path, contours):
        found = lumen(*read_labels(other, None))
        assert len(found.surface.points) == len(plain.surface.points), other
        away, _ = cKDTree(plain.surface.points).query(found.surface.points)
        assert away.max() < 0.001, other
        assert found.resolution_mm == pytest.approx(plain.resolution_mm), other
        assert set(found.hints) == set(plain.hints), other
