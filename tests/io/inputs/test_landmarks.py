"""Landmark files: frames, polylines, and line numbers of what is wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from veinfit.errors import InputError
from veinfit.io.inputs.landmarks import read_landmarks

HEADER = "name,x_mm,y_mm,z_mm\n"
ROWS = "nerve,-41.2,-20.5,60.1\nseptum point,3,4,5\nnerve,-42,-19.8,4.83e1\n"


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "landmarks.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refused(text: str | bytes, folder: Path) -> str:
    path = written(folder, text)
    with pytest.raises(InputError) as caught:
        read_landmarks(path)
    message = str(caught.value)
    assert "\n" not in message
    assert str(path) in message
    return message


def test_rows_of_one_name_make_a_polyline(tmp_path):
    read = read_landmarks(written(tmp_path, HEADER + ROWS))
    assert read.frame == "lps"
    assert list(read) == ["nerve", "septum point"]
    assert np.array_equal(read["nerve"], [[-41.2, -20.5, 60.1], [-42, -19.8, 48.3]])
    assert np.array_equal(read["septum point"], [[3, 4, 5]])


def test_ras_is_turned_into_lps(tmp_path):
    """Signs of x and y change (DICOM PS3.3 C.7.6.2.1.1: +x left, +y posterior)."""
    read = read_landmarks(written(tmp_path, "# frame: ras\n" + HEADER + ROWS))
    assert read.frame == "ras"
    assert np.array_equal(read["nerve"], [[41.2, 20.5, 60.1], [42, 19.8, 48.3]])


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff# frame: LPS\n" + HEADER + ROWS,
        ("# Larkmoor, invented\n#Frame = lps,,,\n\n" + HEADER + ROWS).replace("\n", "\r\n"),
        ('"# by hand, in mm",,\r\n"#frame: lps";;;\r\n' + HEADER + ROWS),
        (HEADER + ROWS).replace(",", " , "),
        "\n\n" + HEADER + "\n" + ROWS.replace("\n", "\n\n") + "# the end\n",
        HEADER.upper().replace("NAME", "Name") + ROWS,
        HEADER.replace("\n", ",remark\n") + ROWS.replace("\n", ",seen\n"),
        HEADER + ROWS.replace("\n", ",,\n"),
        HEADER + ROWS.replace("nerve", '"nerve"'),
        (HEADER + ROWS).replace(",", ";"),
        (HEADER + ROWS).replace(",", "\t"),
        ("# frame: lps\n" + HEADER + ROWS).replace(",", ";").replace(".", ","),
        ("\ufeff" + HEADER + ROWS).replace(",", "\t").encode("utf-16-le"),
        ("\ufeff" + HEADER + ROWS).encode("utf-16-be"),
    ],
)
def test_harmless_differences(tmp_path, text):
    read = read_landmarks(written(tmp_path, text))
    assert np.array_equal(read["nerve"], [[-41.2, -20.5, 60.1], [-42, -19.8, 48.3]])
    assert np.array_equal(read["septum point"], [[3, 4, 5]])


def test_columns_in_another_order(tmp_path):
    text = "z_mm,name,y_mm,x_mm\n3,a,2,1\n"
    assert np.array_equal(read_landmarks(written(tmp_path, text))["a"], [[1, 2, 3]])


@given(
    points=st.lists(st.tuples(*[st.floats(-500, 500)] * 3), min_size=1, max_size=8),
    frame=st.sampled_from(["lps", "ras"]),
)
def test_numbers_survive_exactly(tmp_path_factory, points, frame):
    rows = "".join(f"line,{x!r},{y!r},{z!r}\n" for x, y, z in points)
    path = written(tmp_path_factory.getbasetemp(), f"# frame: {frame}\n{HEADER}{rows}")
    sign = (-1, -1, 1) if frame == "ras" else (1, 1, 1)
    assert np.array_equal(read_landmarks(path)["line"] * sign, points)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("# frame: lpi\n" + HEADER + ROWS, "line 1: frame 'lpi' is not known"),
        ('"# frame: lpi";;;\n' + HEADER + ROWS, "line 1: frame 'lpi' is not known"),
        ("# frame:\n" + HEADER + ROWS, "line 1: frame '' is not known"),
        ("# frame: ras\n# frame: lps\n" + HEADER + ROWS, "several frames"),
        ("name,x_mm,y_mm\na,1,2\n", "line 1: the header lacks z_mm"),
        ("a,1,2,3\n", "line 1: the header lacks name, x_mm, y_mm, z_mm"),
        ((HEADER + ROWS).replace(",", "|"), "line 1: the header lacks"),
        ("name,x_mm,x_mm,y_mm,z_mm\na,1,1,2,3\n", "x_mm appears twice"),
        (HEADER + "a,1,two,3\n", "line 2: y_mm 'two' is not a number"),
        (HEADER + "\na,1,nan,3\n", "line 3: y_mm 'nan' is not a number"),
        (HEADER + "a,1,inf,3\n", "line 2: y_mm 'inf' is not a number"),
        (HEADER + "a,1,,3\n", "line 2: y_mm is empty"),
        (HEADER + "a,1,2\n", "line 2: z_mm is empty"),
        (HEADER + ",1,2,3\n", "line 2: the name is empty"),
        (HEADER + '"a,b",1,2,3\n', "letters, digits"),
        (HEADER + "a,1,5,2,5,3,5\n", "line 2: 7 values under 4 columns"),
        (HEADER, "no point"),
        ("# nothing\n\n", "holds no rows"),
        ("", "is empty"),
        (b"\xc3(", "not UTF-8"),
        (b"\xff\xfe\x00n", "line 1: the header lacks"),
        ("name\0", "is not text"),
    ],
)
def test_faults(tmp_path, text, says):
    assert says in refused(text, tmp_path)


def test_all_rows_with_faults_are_named(tmp_path):
    message = refused(HEADER + "a,1,2,x\n" * 20, tmp_path)
    assert "line 2: " in message
    assert "line 9: " in message
    assert message.endswith("and 12 more")


def test_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match=r"gone\.csv does not exist"):
        read_landmarks(tmp_path / "gone.csv")


def test_a_table_that_nobody_wrote_is_not_read(tmp_path):
    path = tmp_path / "marks.csv"
    path.write_text("name,x_mm,y_mm,z_mm\n" + "x" * (1 << 22))
    with pytest.raises(InputError, match=r"marks\.csv has 4 MiB, more than the 4 that are read"):
        read_landmarks(path)
