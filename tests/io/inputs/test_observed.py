"""What was observed: reading it, and what is wrong with it named row by row."""

from __future__ import annotations

import pytest

from veinfit.errors import InputError
from veinfit.io.inputs.observed import COLUMNS, ObservedRow, read_observed, template

HEADER = "case,vein,balloon,attempt,approach,occlusion_grade,seating_depth_mm"


def write(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "observed.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_rows(tmp_path):
    path = write(
        tmp_path,
        "\ufeff# a comment\n"
        "case, vein,balloon,attempt,approach,occlusion_grade,seating_depth_mm,"
        "time_to_isolation_s,lowest_temperature_c,shift_after_freeze_mm,patient,ward\n"
        "c1,lspv,28 mm,2,Transseptal,4,-6.5,41,-48,1.5,p1,W\n"
        ",,,,,,,,,,,\n"
        "c2,extra-1,31,,,2\n",
    )
    table = read_observed(path)
    assert table.rows == (
        ObservedRow(3, "c1", "p1", "LSPV", "28 mm", 2, "transseptal", 4, -6.5, 41.0, -48.0, 1.5),
        ObservedRow(5, "c2", "c2", "extra-1", "31", 1, "", 2),
    )
    assert table.left_aside == ("ward",)
    assert [row.diameter_mm for row in table.rows] == [28.0, 31.0]
    assert table.rows[0].title == "line 3 (c1 LSPV 28 mm transseptal, attempt 2)"


@pytest.mark.parametrize(
    ("separator", "encoding"), [(";", "utf-8-sig"), ("\t", "utf-16"), (",", "utf-8-sig")]
)
def test_a_table_as_spreadsheets_save_it(tmp_path, separator, encoding):
    decimal = "." if separator == "," else ","
    rows = [
        ["case", "vein", "balloon", "occlusion_grade", "seating_depth_mm"],
        ["c1", "LSPV", "28 mm", "4", f"-6{decimal}5"],
        ["", "", "", "", ""],
    ]
    text = "\r\n".join(separator.join(row) for row in rows)
    (row,) = read_observed(write(tmp_path, text, encoding)).rows
    assert (row.vein, row.occlusion_grade, row.seating_depth_mm) == ("LSPV", 4, -6.5)


@pytest.mark.parametrize("separator", ",;\t")
def test_comments_that_a_spreadsheet_has_saved(tmp_path, separator):
    """It puts one that holds a separator into quotation marks, and pads its row."""
    head = separator.join(["case", "vein", "balloon", "occlusion_grade", ""])
    row = separator.join(["c1", "LSPV", "28 mm", "4", ""])
    said = f'"# occlusion_grade: 4 complete, 3 small leak"{3 * separator}'
    (found,) = read_observed(write(tmp_path, f"{said}\r\n{head}\r\n{row}\r\n{said}\r\n")).rows
    assert (found.line, found.occlusion_grade) == (3, 4)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("c,XXPV,28,1,,4,", "vein 'XXPV' is not known"),
        ("c,LSPV,28,1,,5,", "occlusion_grade 5 is outside 1 to 4; 4 is complete"),
        ("c,LSPV,28,1,,3.5,", "occlusion_grade '3.5' is not a whole number"),
        ("c,LSPV,28,1,,IV,", "occlusion_grade 'IV' is not a whole number"),
        ("c,LSPV,28,1,,inf,", "occlusion_grade 'inf' is not a whole number"),
        ("c,LSPV,28,0,,4,", "attempt '0' is not 1, 2, ..."),
        ("c,LSPV,28,1,sideways,4,", "approach 'sideways' is not known"),
        ("c,LSPV,28,1,,,", "nothing was observed"),
        ("c,LSPV,28,1,,,-6,5", "more values than columns; write decimals with a point"),
        ("c,LSPV,28,1,,-6,5,", "more values than columns; write decimals with a point"),
        ("c,LSPV,28,1,,,deep", "seating_depth_mm 'deep' is not a number"),
        ("c,LSPV,28,1,,,600", "outside -60 to 60"),
        (",LSPV,28,1,,4,", "case is empty"),
        ("c,LSPV,,1,,4,", "balloon is empty"),
    ],
)
def test_what_is_wrong_in_a_row_is_named_with_its_line(tmp_path, row, told):
    with pytest.raises(InputError) as error:
        read_observed(write(tmp_path, f"{HEADER}\nc,LSPV,28,1,,4,\n{row}\n"))
    assert "line 3: " in str(error.value)
    assert told in str(error.value)


def test_every_wrong_row_is_named(tmp_path):
    rows = "".join(f"c,LSPV,28,{k},,9,\n" for k in range(1, 4))
    with pytest.raises(InputError, match=r"line 2: .*; line 3: .*; line 4: "):
        read_observed(write(tmp_path, f"{HEADER}\n{rows}"))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty"),
        ("# only words\n", "holds no rows"),
        (f"{HEADER}\n", "no row"),
        ("case|vein|balloon\n", "the header lacks"),
        ("case,vein\n", "lacks balloon"),
        ("case,vein,balloon\n", "no column holds an observation"),
        ("case,vein,balloon,occlusion\n", "no column holds an observation"),
        (f"{HEADER},temperature_c\n", "did you mean 'lowest_temperature_c'"),
        (f"{HEADER},isolation\n", "did you mean 'time_to_isolation_s'"),
        (f"{HEADER},case\n", "case appears twice"),
    ],
)
def test_what_is_wrong_with_the_file(tmp_path, text, told):
    with pytest.raises(InputError) as error:
        read_observed(write(tmp_path, text))
    assert told in str(error.value)


def test_other_encoding(tmp_path):
    with pytest.raises(InputError, match="UTF-8"):
        read_observed(write(tmp_path, f"{HEADER}\né,LSPV,28,1,,4,\n", "latin-1"))


def test_template_is_read_back_once_filled_in(tmp_path):
    text = template([("c1", "LSPV", "28 mm", "coaxial"), ("c,2", "RIPV", "31 mm", "coaxial")])
    assert text.decode().splitlines()[-3] == ",".join(COLUMNS)
    assert "4 complete" in text.decode()
    with pytest.raises(InputError, match="nothing was observed"):
        read_observed(write(tmp_path, text.decode()))
    filled = text.decode().replace("1,coaxial,,", "1,coaxial,3,")
    rows = read_observed(write(tmp_path, filled)).rows
    assert [(r.case, r.vein, r.balloon, r.occlusion_grade) for r in rows] == [
        ("c1", "LSPV", "28 mm", 3), ("c,2", "RIPV", "31 mm", 3),
    ]  # fmt: skip
