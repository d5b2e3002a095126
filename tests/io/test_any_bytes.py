"""Any bytes at all: read, or refused by the one exception there is for it."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from veinfit.errors import InputError
from veinfit.io.inputs.landmarks import read_landmarks
from veinfit.io.mesh_formats.lz4 import unpack_lz4
from veinfit.io.mesh_formats.parsers import PARSERS
from veinfit.io.mesh_formats.polygons import DamagedMesh
from veinfit.toml import parse_toml


@given(st.binary(max_size=300), st.integers(0, 2000))
def test_any_lz4_block_is_unpacked_or_refused(data, size):
    with contextlib.suppress(ValueError):
        assert len(unpack_lz4(data, size)) == size


@pytest.mark.parametrize("suffix", sorted(PARSERS))
@given(data=st.binary(max_size=400) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_a_mesh_or_refused(suffix, data):
    with contextlib.suppress(DamagedMesh):
        PARSERS[suffix](data)


@given(
    st.binary(max_size=300)
    | st.text(max_size=300).map(lambda text: text.encode("utf-8", "replace"))
)
def test_any_bytes_are_toml_or_refused(data):
    try:
        parse_toml(data, "file f.toml")
    except InputError as error:
        assert "f.toml" in str(error)


@given(st.text(max_size=200))
def test_any_text_is_landmarks_or_refused(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("marks") / "m.csv"
    path.write_bytes(b"name,x_mm,y_mm,z_mm\n" + text.encode("utf-8", "replace"))
    try:
        read_landmarks(path)
    except InputError as error:
        assert str(path) in str(error)
        assert str(error).isprintable()
