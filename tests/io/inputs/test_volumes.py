"""Label volumes: where each voxel lies, in every format, and every way to be wrong."""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path

import nibabel
import nrrd
import numpy as np
import pytest
import SimpleITK
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from veinfit.errors import InputError
from veinfit.io.inputs.volumes import read_volume

# One grid in DICOM's terms and in NIfTI's, worked by hand: PS3.3 C.7.6.2.1.1 and nifti1.h.
# Image position (-99.8, -282.8, 94.25), orientation 1\0\0\0\1\0, pixel spacing 0.5\0.4 (rows \
# columns), slices 1.25 apart. Column 3, row 2, slice 1 lies at LPS (-98.6, -281.8, 95.5).
DICOM_LPS = np.array([[0.4, 0, 0, -99.8], [0, 0.5, 0, -282.8], [0, 0, 1.25, 94.25], [0, 0, 0, 1]])
NIFTI_RAS = np.array([[-0.4, 0, 0, 99.8], [0, -0.5, 0, 282.8], [0, 0, 1.25, 94.25], [0, 0, 0, 1]])
VOXEL = (3, 2, 1)
PLACE_LPS = (-98.6, -281.8, 95.5)

SHAPE = (12, 10, 9)


def labels(dtype=np.uint8) -> np.ndarray:
    values = np.zeros(SHAPE, dtype)
    values[4:8, 3:7, 2:6] = 2
    values[VOXEL] = 7
    return values


def save_nifti(path: Path, values=None, ras=NIFTI_RAS, kind=nibabel.Nifti1Image, **header) -> Path:
    image = kind(labels() if values is None else values, ras)
    for name, value in header.items():
        image.header[name] = value
    nibabel.save(image, path)
    return path


def save_itk(path: Path, values=None, lps=DICOM_LPS) -> Path:
    values = labels() if values is None else values
    image = SimpleITK.GetImageFromArray(np.ascontiguousarray(values.transpose()))
    edges = np.linalg.norm(lps[:3, :3], axis=0)
    image.SetSpacing(edges.tolist())
    image.SetOrigin(lps[:3, 3].tolist())
    image.SetDirection((lps[:3, :3] / edges).ravel().tolist())
    SimpleITK.WriteImage(image, str(path))
    return path


def save_nrrd(path: Path, space: str | None, affine: np.ndarray, values=None, **header) -> Path:
    fields = {
        "space directions": affine[:3, :3].T,
        "space origin": affine[:3, 3],
        "encoding": "raw",
        **header,
    }
    if space is not None:
        fields["space"] = space
    nrrd.write(str(path), labels() if values is None else values, fields)
    return path


def random_lps(seed: int) -> np.ndarray:
    """An oblique anisotropic grid; every other one left-handed."""
    rng = np.random.default_rng(seed)
    affine = np.eye(4)
    edges = rng.uniform(0.3, 3.0, 3) * np.where(seed % 2, (1, 1, -1), 1)
    affine[:3, :3] = Rotation.random(random_state=seed).as_matrix() * edges
    affine[:3, 3] = rng.uniform(-300, 300, 3)
    return affine


def to_ras(lps: np.ndarray) -> np.ndarray:
    return np.diag([-1.0, -1.0, 1.0, 1.0]) @ lps


# ---- where the voxels lie -------------------------------------------------------------------


@pytest.mark.parametrize("name", ["v.nii", "v.nii.gz", "V.NII.GZ", "v.Nii"])
@pytest.mark.parametrize("kind", [nibabel.Nifti1Image, nibabel.Nifti2Image])
def test_nifti_is_turned_from_ras(tmp_path, name, kind):
    made = save_nifti(tmp_path / f"made{name[1:].lower()}", kind=kind)
    volume = read_volume(made.rename(tmp_path / name))
    assert np.array_equal(volume.values, labels())
    # NIfTI-1 stores single precision: 3e-5 mm at 280 mm.
    assert volume.affine == pytest.approx(DICOM_LPS, abs=3e-5)
    assert volume.world_points(VOXEL) == pytest.approx(PLACE_LPS, abs=3e-5)


def test_qform_alone_is_taken(tmp_path):
    """The quaternion of the worked grid: b, c, d = 0, 0, 1 and qfac 1 (nifti1.h)."""
    image = nibabel.Nifti1Image(labels(), None)
    image.set_qform(NIFTI_RAS, code=1)
    image.set_sform(None, code=0)
    header = image.header
    assert [float(header[f"quatern_{k}"]) for k in "bcd"] == pytest.approx([0, 0, 1])
    assert float(header["pixdim"][0]) == 1.0
    nibabel.save(image, tmp_path / "q.nii")
    volume = read_volume(tmp_path / "q.nii")
    assert volume.world_points(VOXEL) == pytest.approx(PLACE_LPS, abs=1e-4)
    assert volume.notes == ()


@pytest.mark.parametrize("name", ["v.nrrd", "v.nhdr", "v.mha", "v.mhd"])
def test_itk_formats_are_lps(tmp_path, name):
    volume = read_volume(save_itk(tmp_path / name))
    assert np.array_equal(volume.values, labels())
    assert volume.affine == pytest.approx(DICOM_LPS)
    assert volume.world_points(VOXEL) == pytest.approx(PLACE_LPS)
    assert volume.notes == ()


@pytest.mark.parametrize("suffix", [".nrrd", ".mha"])
def test_extension_in_capitals(tmp_path, suffix):
    path = save_itk(tmp_path / f"v{suffix}").rename(tmp_path / f"V{suffix.upper()}")
    assert np.array_equal(read_volume(path).values, labels())


@pytest.mark.parametrize(
    ("space", "flip"),
    [
        ("left-posterior-superior", (1, 1, 1)),
        ("LPS", (1, 1, 1)),
        ("right-anterior-superior", (-1, -1, 1)),
        ("RAS", (-1, -1, 1)),
        ("left-anterior-superior", (1, -1, 1)),
    ],
)
def test_nrrd_spaces(tmp_path, space, flip):
    affine = np.diag([*flip, 1.0]) @ DICOM_LPS
    volume = read_volume(save_nrrd(tmp_path / "v.nrrd", space, affine))
    assert volume.affine == pytest.approx(DICOM_LPS)
    assert np.array_equal(volume.values, labels())


@pytest.mark.parametrize("seed", range(6))
def test_oblique_grids_agree_between_formats(tmp_path, seed):
    lps = random_lps(seed)
    read = [
        read_volume(save_nifti(tmp_path / "v.nii", ras=to_ras(lps))),
        read_volume(save_itk(tmp_path / "v.mha", lps=lps)),
        read_volume(save_itk(tmp_path / "v.nrrd", lps=lps)),
        read_volume(save_nrrd(tmp_path / "r.nrrd", "right-anterior-superior", to_ras(lps))),
    ]
    for volume in read:
        assert volume.affine == pytest.approx(lps, abs=1e-4)
        assert volume.edges_mm == pytest.approx(np.linalg.norm(lps[:3, :3], axis=0), rel=1e-5)
        assert volume.voxel_ml == pytest.approx(abs(np.linalg.det(lps)) / 1000, rel=1e-4)


def test_oblique_worked_example(tmp_path):
    """Rotated 30 degrees about z: column 3, row 2, slice 1 by hand (PS3.3 C.7.6.2.1.1)."""
    lps = np.eye(4)
    lps[:3, :3] = np.array([[0.34641016, -0.25, 0], [0.2, 0.4330127, 0], [0, 0, 1.25]])
    lps[:3, 3] = 10, 20, 30
    volume = read_volume(save_nifti(tmp_path / "o.nii", ras=to_ras(lps)))
    expected = (10.53923048, 21.46602540, 31.25)
    assert volume.world_points(VOXEL) == pytest.approx(expected, abs=1e-5)


@given(seed=st.integers(0, 10**6), index=st.tuples(*[st.integers(0, 8)] * 3))
def test_left_stays_left(tmp_path_factory, seed, index):
    """The same voxel, written as RAS and as LPS, is read at the same place."""
    lps = random_lps(seed)
    folder = tmp_path_factory.getbasetemp()
    a = read_volume(save_nifti(folder / "p.nii", ras=to_ras(lps)))
    b = read_volume(save_nrrd(folder / "p.nrrd", "left-posterior-superior", lps))
    assert a.world_points(index) == pytest.approx(b.world_points(index), abs=1e-3)


# ---- values ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "dtype", [np.uint8, np.int8, np.int16, np.uint16, np.int32, np.float32, np.float64]
)
def test_every_type_of_whole_numbers(tmp_path, dtype):
    for path in (
        save_nifti(tmp_path / "v.nii.gz", labels(dtype)),
        save_itk(tmp_path / "v.nrrd", labels(dtype)),
    ):
        values = read_volume(path).values
        assert values.dtype == np.uint8
        assert np.array_equal(values, labels())


def test_values_above_a_byte_are_kept(tmp_path):
    values = labels(np.int32)
    values[values == 7] = 70_000
    read = read_volume(save_nifti(tmp_path / "v.nii.gz", values)).values
    assert read.dtype == np.uint32
    assert np.array_equal(read, values)


def test_scaled_integers_are_scaled(tmp_path):
    image = nibabel.Nifti1Image(labels(np.int16), NIFTI_RAS)
    image.header.set_slope_inter(2.0, 0.0)
    with (tmp_path / "v.nii").open("wb") as stream:
        image.header["vox_offset"] = 352
        image.header["magic"] = b"n+1"
        stream.write(image.header.binaryblock)
        stream.write(b"\0" * 4)
        stream.write(labels(np.int16).tobytes(order="F"))
    assert np.array_equal(read_volume(tmp_path / "v.nii").values, 2 * labels())


def test_further_axes_of_one_place_are_dropped(tmp_path):
    path = save_nifti(tmp_path / "v.nii", labels()[..., None, None])
    assert np.array_equal(read_volume(path).values, labels())
    four = np.moveaxis(labels()[..., None], -1, 0)  # ITK writes its last axis first
    image = SimpleITK.GetImageFromArray(np.ascontiguousarray(four.transpose(0, 3, 2, 1)), False)
    assert image.GetDimension() == 4
    SimpleITK.WriteImage(image, str(tmp_path / "v.mha"))
    assert np.array_equal(read_volume(tmp_path / "v.mha").values, labels())


def test_array_is_read_only(tmp_path):
    volume = read_volume(save_nifti(tmp_path / "v.nii"))
    with pytest.raises(ValueError, match="read-only"):
        volume.values[0, 0, 0] = 1
    with pytest.raises(ValueError, match="read-only"):
        volume.affine[0, 0] = 1


# ---- notes ----------------------------------------------------------------------------------


def test_template_space_is_cautioned(tmp_path):
    path = save_nifti(tmp_path / "v.nii", sform_code=4)
    (note,) = read_volume(path).notes
    assert note.severity == "caution"
    assert "MNI space" in note.text


def test_two_placements_that_differ_are_cautioned(tmp_path):
    image = nibabel.Nifti1Image(labels(), NIFTI_RAS)
    image.set_sform(NIFTI_RAS, code=1)
    moved = NIFTI_RAS.copy()
    moved[0, 3] += 12.0
    image.set_qform(moved, code=1)
    nibabel.save(image, tmp_path / "v.nii")
    volume = read_volume(tmp_path / "v.nii")
    assert volume.world_points(VOXEL) == pytest.approx(PLACE_LPS, abs=1e-4)
    (note,) = volume.notes
    assert "up to 12 mm apart" in note.text


def test_mha_without_orientation_is_cautioned(tmp_path):
    path = save_itk(tmp_path / "v.mha")
    content = path.read_bytes()
    head, data = content.split(b"ElementDataFile", 1)
    kept = [n for n in head.split(b"\n") if not n.startswith(b"TransformMatrix")]
    path.write_bytes(b"\n".join(kept) + b"ElementDataFile" + data)
    (note,) = read_volume(path).notes
    assert note.severity == "caution"
    assert "TransformMatrix" in note.text


# ---- wrong input ----------------------------------------------------------------------------


def refused(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_volume(path)
    message = str(caught.value)
    assert "\n" not in message
    assert str(path) in message
    return message


def no_orientation(folder):
    return save_nifti(folder / "v.nii", ras=None), "sform_code and qform_code are 0"


def metres(folder):
    ras = NIFTI_RAS * np.array([[1e-3], [1e-3], [1e-3], [1]])
    return save_nifti(folder / "v.nii", ras=ras, xyzt_units=1), "in metre; write it in mm"


def micrometres(folder):
    return save_nifti(folder / "v.nii", xyzt_units=3), "in micrometre"


def metres_unsaid(folder):
    lps = DICOM_LPS * np.array([[1e-3], [1e-3], [1e-3], [1]])
    return save_itk(folder / "v.mha", lps=lps), "0.0004 × 0.0005 × 0.00125 mm"


def micrometres_unsaid(folder):
    lps = DICOM_LPS * np.array([[1e3], [1e3], [1e3], [1]])
    return save_itk(folder / "v.nrrd", lps=lps), "may be in another unit"


def nrrd_metres(folder):
    units = {"space units": ["m", "m", "m"]}
    return save_nrrd(folder / "v.nrrd", "RAS", NIFTI_RAS, **units), "spacing in 'm'"


def sheared(folder):
    ras = NIFTI_RAS.copy()
    ras[1, 2] = 1.3
    return save_nifti(folder / "v.nii", ras=ras), "degrees from perpendicular"


def sheared_nrrd(folder):
    lps = DICOM_LPS.copy()
    lps[1, 2] = 1.3
    return save_nrrd(folder / "v.nrrd", "LPS", lps), "degrees from perpendicular"


def singular(folder):
    path = save_nifti(folder / "v.nii")
    content = bytearray(path.read_bytes())
    content[280:328] = np.array([-0.4, -0.4, 0, 0, 0, 0, 0, 0, 0, 0, 1.25, 0], "<f4").tobytes()
    path.write_bytes(content)
    return path, "degrees from perpendicular"


def in_the_sky(folder):
    ras = NIFTI_RAS.copy()
    ras[0, 3] = 3e9
    return save_nifti(folder / "v.nii", ras=ras), "3e+09 mm from the origin"


def no_extent(folder):
    path = save_nifti(folder / "v.nii")
    content = bytearray(path.read_bytes())
    content[280:328] = b"\0" * 48  # srow_x, srow_y, srow_z
    path.write_bytes(content)
    return path, "no length"


def no_space(folder):
    return save_nrrd(folder / "v.nrrd", None, DICOM_LPS, **{"space dimension": 3}), "no space"


def scanner_space(folder):
    return save_nrrd(folder / "v.nrrd", "scanner-xyz", DICOM_LPS), "'scanner-xyz'"


def no_directions(folder):
    nrrd.write(str(folder / "v.nrrd"), labels(), {"spacings": [1.0, 1.0, 1.0]})
    content = (folder / "v.nrrd").read_bytes()
    (folder / "v.nrrd").write_bytes(content.replace(b"\nsizes", b"\nspace: LPS\nsizes", 1))
    return folder / "v.nrrd", "no 'space directions'"


def no_spacing(folder):
    path = save_itk(folder / "v.mha")
    path.write_bytes(path.read_bytes().replace(b"ElementSpacing", b"Elephants", 1))
    return path, "no ElementSpacing"


def fractions(folder):
    values = labels(np.float32)
    values[5, 5, 5] = 0.25
    return save_nifti(folder / "v.nii.gz", values), "not whole numbers (0.25)"


def not_a_number(folder):
    values = labels(np.float64)
    values[5, 5, 5] = np.nan
    return save_itk(folder / "v.nrrd", values), "not whole numbers (nan)"


def negative(folder):
    values = labels(np.int16)
    values[0, 0, 0] = -1024
    return save_nifti(folder / "v.nii", values), "negative values (-1024)"


def zero(folder):
    return save_nifti(folder / "v.nii", np.zeros(SHAPE, np.uint8)), "zero everywhere"


def four_axes(folder):
    values = np.stack([labels(), labels()], axis=-1)
    return save_nifti(folder / "v.nii", values), "4 axes (12 × 10 × 9 × 2)"


def two_axes(folder):
    return save_nifti(folder / "v.nii", labels()[:, :, 3]), "2 axes"


def colours(folder):
    image = SimpleITK.GetImageFromArray(np.ones((9, 10, 12, 3), np.uint8), isVector=True)
    SimpleITK.WriteImage(image, str(folder / "v.mha"))
    return folder / "v.mha", "3 numbers a voxel"


def two_voxels(folder):
    values = np.ones((2, 1, 1), np.uint8)
    return save_nifti(folder / "v.nii", values), "2 × 1 × 1 voxels"


def cut_nifti(folder):
    path = save_nifti(folder / "v.nii")
    path.write_bytes(path.read_bytes()[:-400])
    return path, "damaged"


def cut_packed(folder):
    path = save_nifti(folder / "v.nii.gz")
    path.write_bytes(path.read_bytes()[:-60])
    return path, "damaged"


def cut_mha(folder):
    path = save_itk(folder / "v.mha")
    path.write_bytes(path.read_bytes()[:-400])
    return path, "its data are incomplete"


def cut_nrrd(folder):
    path = save_nrrd(folder / "v.nrrd", "RAS", NIFTI_RAS)
    path.write_bytes(path.read_bytes()[:-400])
    return path, "damaged"


def data_gone(folder):
    path = save_itk(folder / "v.mhd")
    (folder / "v.raw").unlink()
    return path, "cannot be read"


def prose(suffix):
    def case(folder):
        (folder / f"v{suffix}").write_bytes(b"this is no volume at all\n" * 40)
        return folder / f"v{suffix}", "cannot be read"

    case.__name__ = f"prose{suffix}"
    return case


def packed_prose(folder):
    (folder / "v.nii.gz").write_bytes(gzip.compress(b"hello"))
    return folder / "v.nii.gz", "no NIfTI header"


def missing(folder):
    return folder / "gone.nii.gz", "does not exist"


def folder_instead(folder):
    (folder / "v.nii").mkdir()
    return folder / "v.nii", "is a folder"


def empty(folder):
    (folder / "v.nrrd").touch()
    return folder / "v.nrrd", "is empty"


def unknown_extension(folder):
    (folder / "v.tif").write_bytes(b"II")
    return folder / "v.tif", ".nii, .nii.gz, .nrrd, .nhdr, .mha, .mhd"


WRONG = [
    no_orientation, metres, micrometres, metres_unsaid, micrometres_unsaid, nrrd_metres, sheared,
    sheared_nrrd, singular, no_extent, no_space, scanner_space, no_directions, no_spacing,
    fractions, not_a_number, negative, zero, four_axes, two_axes, colours, two_voxels, cut_nifti,
    cut_packed, cut_mha, cut_nrrd, data_gone, prose(".nii"), prose(".nii.gz"), prose(".nrrd"),
    prose(".nhdr"), prose(".mha"), prose(".mhd"), packed_prose, missing, folder_instead, empty,
    unknown_extension, in_the_sky,
]  # fmt: skip


@pytest.mark.parametrize("case", WRONG, ids=lambda case: case.__name__)
def test_wrong_input_is_refused_in_one_line(tmp_path, capfd, case):
    path, says = case(tmp_path)
    capfd.readouterr()
    assert says in refused(path)
    # Nothing from a library on the terminal.
    assert capfd.readouterr() == ("", "")


# ---- memory ---------------------------------------------------------------------------------

BUILD = """
import sys
import nibabel, numpy as np
shape = (512, 512, 400)
values = np.zeros(shape, np.int16, order="F")
radius = (0.04 * values.size * 3 / (4 * np.pi)) ** (1 / 3)
x, y = np.ogrid[: shape[0], : shape[1]]
for k in range(shape[2]):
    values[:, :, k][(x - 250) ** 2 + (y - 260) ** 2 + (k - 200) ** 2 <= radius**2] = 1
values[250:290, 255:265, 200 + int(radius) - 3 : 200 + int(radius) + 40] = 2
values[60:80, 60:80, :] = 5
# Specks in the corners: nothing can be cropped before components are known.
values[1, 1, 1] = values[510, 510, 398] = 1
assert 0.039 < np.count_nonzero(values == 1) / values.size < 0.041
affine = np.diag([-0.4, -0.4, 0.5, 1.0])
nibabel.save(nibabel.Nifti1Image(values, affine), sys.argv[1])
"""
READ = """
import resource, sys
from pathlib import Path
from veinfit.io import read_volume
from veinfit.labels import LabelMap, lumen_input
from veinfit.settings import Settings
meaning = LabelMap({"left_atrium": (1,), "LSPV": (2,)}, {"oesophagus": (5,)})
lumen = lumen_input(read_volume(Path(sys.argv[1])), meaning, Settings().surface)
assert len(lumen.surface.faces) > 100_000 and set(lumen.structures) == {"oesophagus"}
status = Path("/proc/self/status")
if status.exists():
    # The parent's memory is not counted here, as it is in ru_maxrss.
    peak = next(int(n.split()[1]) for n in status.read_text().splitlines() if "VmHWM" in n)
else:
    unit = 1024 if sys.platform == "darwin" else 1
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // unit
print(peak)
"""
MEMORY_LIMIT_KB = 1_500_000


@pytest.mark.slow
def test_a_large_volume_stays_within_memory(tmp_path):
    """512 × 512 × 400, of which the atrium fills 4 %, takes less than 1.5 GB."""
    path = tmp_path / "large.nii.gz"
    subprocess.run([sys.executable, "-c", BUILD, str(path)], check=True)
    done = subprocess.run(
        [sys.executable, "-c", READ, str(path)], check=True, capture_output=True, text=True
    )
    assert done.stderr == ""
    # Half of it would mean that the volume was never held: the check would measure nothing.
    assert 200_000 < int(done.stdout) < MEMORY_LIMIT_KB
