"""Packed volumes and meshes that are damaged: told as such, or read as if nothing was."""

from __future__ import annotations

import bz2
import gzip
import zlib
from pathlib import Path

import nibabel
import nrrd
import numpy as np
import pytest
import pyvista
import SimpleITK

from veinfit.errors import InputError
from veinfit.io.inputs.meshes import read_mesh
from veinfit.io.inputs.volumes import read_volume
from veinfit.io.volume_formats import data
from veinfit.io.volume_formats.checks import DamagedVolume

SHAPE = (24, 22, 20)
BYTES = 24 * 22 * 20 * 2


@pytest.fixture
def labels(rng) -> np.ndarray:
    """Blocks with some noise: packed data of many kinds of codes."""
    values = np.zeros(SHAPE, np.int16)
    values[4:18, 3:17, 2:16] = 2
    values[6:9] += rng.integers(0, 3, (3, *SHAPE[1:])).astype(np.int16)
    return values


def nifti(folder: Path, values: np.ndarray) -> tuple[Path, Path]:
    path = folder / "v.nii.gz"
    nibabel.save(nibabel.Nifti1Image(values, np.diag([-1.0, -1.0, 1.0, 1.0])), path)
    return path, path


def nrrd_gzip(folder: Path, values: np.ndarray, name: str = "v.nrrd", **more) -> tuple[Path, Path]:
    fields = {"space": "LPS", "space directions": np.eye(3), "space origin": np.zeros(3)}
    nrrd.write(str(folder / name), values, {**fields, "encoding": "gzip", **more})
    return folder / name, folder / (name if name.endswith(".nrrd") else "v.raw.gz")


def nrrd_bzip2(folder: Path, values: np.ndarray) -> tuple[Path, Path]:
    return nrrd_gzip(folder, values, encoding="bzip2")


def nrrd_apart(folder: Path, values: np.ndarray) -> tuple[Path, Path]:
    return nrrd_gzip(folder, values, "v.nhdr")


def itk(folder: Path, values: np.ndarray, name: str = "v.mha") -> tuple[Path, Path]:
    image = SimpleITK.GetImageFromArray(np.ascontiguousarray(values.transpose()))
    SimpleITK.WriteImage(image, str(folder / name), True)
    return folder / name, folder / (name if name.endswith(".mha") else "v.zraw")


def meta_apart(folder: Path, values: np.ndarray) -> tuple[Path, Path]:
    return itk(folder, values, "v.mhd")


MAKERS = [nifti, nrrd_gzip, nrrd_bzip2, nrrd_apart, itk, meta_apart]
every_packing = pytest.mark.parametrize("make", MAKERS, ids=lambda make: make.__name__)


def packed_part(data: bytes) -> int:
    """Return where the packed data begin: where from all can be unpacked."""
    if b"BZh" in data:
        return data.index(b"BZh")
    for mark in (b"\x1f\x8b\x08", b"\x78"):
        at = data.find(mark)
        while at >= 0:
            try:
                if len(zlib.decompress(data[at:], 47)) >= BYTES:
                    return at
            except zlib.error:
                pass
            at = data.find(mark, at + 1)
    raise AssertionError("no packed data")


@every_packing
def test_whole_data_are_read(tmp_path, labels, make):
    header, _ = make(tmp_path, labels)
    assert np.array_equal(read_volume(header).values, labels)


@every_packing
def test_flipped_bits_are_told_or_without_effect(tmp_path, labels, make, rng):
    """Gzip and zlib end in a check sum of what was packed (RFC 1952, RFC 1950).

    A flipped bit may stand where it changes nothing, as in the time of a gzip file; the numbers
    then are the right ones.
    """
    header, data = make(tmp_path, labels)
    whole = data.read_bytes()
    start = packed_part(whole)
    told = 0
    places = [*rng.integers(start, len(whole), 60), *range(len(whole) - 8, len(whole))]
    for place in places:
        content = bytearray(whole)
        content[place] ^= 1 << int(rng.integers(8))
        data.write_bytes(content)
        try:
            values = read_volume(header).values
        except InputError as error:
            told += 1
            assert str(header) in str(error)
            assert "damaged" in str(error)
        else:
            assert np.array_equal(values, labels)
    # The header of gzip, ten bytes, is where a flip may be without effect.
    assert told >= len(places) - 10


@every_packing
def test_a_check_sum_of_other_data_is_told(tmp_path, labels, make):
    """Nothing in the data themselves is wrong: the end alone says that they are other ones."""
    header, data = make(tmp_path, labels)
    content = bytearray(data.read_bytes())
    content[-5 if make in (nifti, nrrd_gzip, nrrd_apart) else -1] ^= 1
    data.write_bytes(content)
    with pytest.raises(InputError, match="damaged") as caught:
        read_volume(header)
    assert "\n" not in str(caught.value)


@every_packing
def test_cut_short(tmp_path, labels, make):
    header, data = make(tmp_path, labels)
    whole = data.read_bytes()
    for missing in (1, 4, 8, len(whole) // 3):
        data.write_bytes(whole[:-missing])
        with pytest.raises(InputError, match="damaged"):
            read_volume(header)


@every_packing
def test_a_bomb_is_not_unpacked(tmp_path, labels, make, monkeypatch):
    """Data that unpack to a hundred times of what the header announces."""
    header, data = make(tmp_path, labels)
    whole = data.read_bytes()
    start = packed_part(whole)
    unpack = bz2.decompress if make is nrrd_bzip2 else lambda data: zlib.decompress(data, 47)
    stream = unpack(whole[start:]) + bytes(20 << 20)
    packers = {itk: zlib.compress, meta_apart: zlib.compress, nrrd_bzip2: bz2.compress}
    pack = packers.get(make, gzip.compress)
    data.write_bytes(whole[:start] + pack(stream))
    with pytest.raises(InputError, match="go on behind"):
        read_volume(header)


def test_huge_grids_are_refused_before_memory_is_taken(tmp_path, labels):
    """32,767 and 65,535 voxels along each axis: 3.5e13 and 2.8e14."""
    nifti(tmp_path, labels)
    content = bytearray(gzip.decompress((tmp_path / "v.nii.gz").read_bytes()))
    content[42:48] = np.array([32767] * 3, "<i2").tobytes()  # dim[1..3], nifti1.h
    (tmp_path / "v.nii.gz").write_bytes(gzip.compress(bytes(content)))
    made = nrrd_gzip(tmp_path, labels)[0], itk(tmp_path, labels)[0]
    for path, field in zip(made, (b"sizes: ", b"DimSize = "), strict=True):
        content = path.read_bytes()
        path.write_bytes(content.replace(field + b"24 22 20", field + b"65535 65535 65535"))
    for name in ("v.nii.gz", "v.nrrd", "v.mha"):
        with pytest.raises(InputError, match="crop it to the heart"):
            read_volume(tmp_path / name)


@pytest.mark.parametrize("name", ["/dev/zero", "gone.raw", ".", 300 * "a"])
@pytest.mark.parametrize("suffix", [".nhdr", ".mhd"])
def test_data_files_that_are_none(tmp_path, labels, suffix, name):
    make = nrrd_apart if suffix == ".nhdr" else meta_apart
    header, data = make(tmp_path, labels)
    header.write_bytes(header.read_bytes().replace(data.name.encode(), name.encode()))
    with pytest.raises(InputError, match="does not exist or is no file"):
        read_volume(header)


@pytest.mark.parametrize("name", ["%s%s%n 1 20 1", "v%d%n.raw 1 20 1", "%999999999d 1 1 1", "%d 1"])
@pytest.mark.parametrize("suffix", [".nhdr", ".mhd"])
def test_counted_names_are_looked_at_first(tmp_path, labels, suffix, name):
    """What the library would take as an order to read or write its own memory."""
    make = nrrd_apart if suffix == ".nhdr" else meta_apart
    header, data = make(tmp_path, labels)
    header.write_bytes(header.read_bytes().replace(data.name.encode(), name.encode()))
    with pytest.raises(InputError, match="names the data files"):
        read_volume(header)


@pytest.mark.parametrize("compression", ["zlib", "lzma"])
@pytest.mark.parametrize("mode", ["appended", "binary"])
def test_packed_vtp(tmp_path, compression, mode, rng):
    """Adler-32 and CRC-32 end each block of these two; LZ4, as VTK writes it, has no check sum."""
    from vtkmodules.vtkIOXML import vtkXMLPolyDataWriter

    path = tmp_path / "s.vtp"
    sphere = pyvista.Sphere(radius=40.0, theta_resolution=24, phi_resolution=24)
    sphere.clear_data()
    writer = vtkXMLPolyDataWriter()
    writer.SetFileName(str(path))
    writer.SetInputData(sphere)
    {"zlib": writer.SetCompressorTypeToZLib, "lzma": writer.SetCompressorTypeToLZMA}[compression]()
    {"appended": writer.SetDataModeToAppended, "binary": writer.SetDataModeToBinary}[mode]()
    writer.Write()
    right = read_mesh(path)
    whole = path.read_bytes()
    tag = b"<AppendedData" if mode == "appended" else b"<Points>"
    start = whole.index(b"_" if mode == "appended" else b'">', whole.index(tag)) + 2
    end = whole.rindex(b"</AppendedData>") if mode == "appended" else whole.index(b"</DataArray>")
    told = 0
    for place in rng.integers(start, end, 24):
        content = bytearray(whole)
        content[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(content)
        try:
            read = read_mesh(path)
        except InputError:
            told += 1
        else:
            assert np.array_equal(read.points, right.points)
            assert np.array_equal(read.faces, right.faces)
    assert told >= 8


@pytest.mark.parametrize("piece", [1, 7, 100_000])
@pytest.mark.parametrize("blank", [" ", "\n", "\r\n  "])
def test_numbers_written_as_text_are_read_in_pieces(tmp_path, monkeypatch, piece, blank):
    """Whatever a piece ends with: a word, a part of one, or a blank."""
    monkeypatch.setattr(data, "CHUNK_BYTES", piece)
    values = np.random.default_rng(2).integers(0, 300, 700)
    path = tmp_path / "numbers.txt"
    path.write_bytes(blank.join(map(str, values)).encode())
    found = data.read_data([data.DataFile(path)], "text", np.dtype(np.uint16), 700)
    assert found.tolist() == values.tolist()
    # What the announced type does not hold is not cut to it.
    assert data.read_data([data.DataFile(path)], "text", np.dtype(np.uint8), 700).max() > 255


@pytest.mark.parametrize(
    ("text", "told"),
    [("1 2 x", "could not convert"), ("1 2.5 3", "fractions"), ("1" * 20_000, "longer than any")],
)
def test_what_is_no_number_is_told(tmp_path, monkeypatch, text, told):
    monkeypatch.setattr(data, "CHUNK_BYTES", 11_000)
    path = tmp_path / "numbers.txt"
    path.write_text(text)
    with pytest.raises(DamagedVolume, match=told):
        data.read_data([data.DataFile(path)], "text", np.dtype(np.uint8), 3)
