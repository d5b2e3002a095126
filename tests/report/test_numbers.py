"""Every number of the report is the number in the CSV files: all of them are walked."""

from __future__ import annotations

import csv
import html
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from printed import pages_of
from report.inputs import report_of

from veinfit.anatomy.model import Anatomy
from veinfit.io.results.corrections_text import correction_entry
from veinfit.io.results.tables import case_tables
from veinfit.report.answers.parts import VeinPart, vein_parts
from veinfit.report.model import Report
from veinfit.report.page.page import write_page
from veinfit.report.paper.pdf import write_pdf
from veinfit.result.values import decimals
from veinfit.seating.further import Growth, GrowthStep
from veinfit.seating.model import Chance, Fit, Margin

NOT_SHOWN = re.compile(r"(ostium|normal|axis|centre)_[xyz](_mm)?|notes|approach|balloon_mm|vein")
"""Columns that no table of the report shows: places and directions are drawn, words are told."""

VOID = {
    "meta",
    "img",
    "br",
    "input",
    "circle",
    "path",
    "polyline",
    "polygon",
    "rect",
    "image",
    "link",
}

Row = dict[str, str]


def with_tries(fit: Fit, k: int) -> Fit:
    """A fit with the margin that its probabilities are of; the smaller size grows in place too."""
    middle = fit.seal_probability or 0.0
    given = tuple(middle + d for d in (-0.113, 0.071, 0.029, 0.013))
    chance = Chance(middle, middle - 0.2, middle + 0.1, 0.05, given,
                    sensitivities={"push": 0.013 * k})  # fmt: skip
    shares = {"push": 0.6, "together": 0.4}
    margin = Margin(32, 32, 0, chance, chance, chance, chance, chance, 0.03, 0.04, 1.3, (),
                    (0.1, 0.4, 1.0), shares)  # fmt: skip
    if k % 2:
        return replace(fit, margin=margin)
    steps = tuple(
        GrowthStep(fit.vein, fit.approach, "28", "31", size, "seated", sealed=True,
                   seal_probability=middle - lost, gain_probability=gained,
                   distances_mm={"oesophagus": 5.77 - 0.31 * k})
        for size, lost, gained in ((28.0, 0.0, 0.0), (29.5, 0.117, 0.023), (31.0, 0.231, 0.037))
    )  # fmt: skip
    either = tuple(one + 0.037 for one in given)
    return replace(fit, margin=margin, growth=Growth(steps, either, 1.3, 0.1))


@pytest.fixture(scope="module")
def report(anatomy: Anatomy, fits: tuple[Fit, ...]) -> Report:
    """A case in which every column has a value somewhere."""
    filled = tuple(
        replace(
            fit,
            seal_probability=0.513 + 0.037 * k,
            seal_probability_low=0.211 + 0.029 * k,
            seal_probability_high=0.807 + 0.013 * k,
            antral=k % 2 == 0,
            push_to_seal_n=0.113 + 0.021 * k,
            occlusion_probability=0.533 + 0.031 * k,
            occlusion_probability_low=0.223 + 0.017 * k,
            occlusion_probability_high=0.817 + 0.011 * k,
            steered_seal_probability=0.713 + 0.023 * k,
            steered_seal_probability_low=0.417 + 0.019 * k,
            steered_seal_probability_high=0.907 + 0.007 * k,
            steered_occlusion_probability=0.733 + 0.021 * k,
            steered_occlusion_probability_low=0.437 + 0.013 * k,
            steered_occlusion_probability_high=0.917 + 0.009 * k,
            deep_seal_probability=0.031 + 0.007 * k,
            freeze_loss_probability=0.041 + 0.009 * k,
            tries_leak_side=("inferior", "anterior-superior")[k % 2],
            loop_depth_mm=2.13 + 0.31 * k,
            loop_fit="inside",
            occlusion_grade=1 + k % 4,
            freeze_shift_mm=0.71 + 0.17 * k,
            sealed_after_freeze=k % 2 == 0,
            leak_area_mm2=3.3 + 1.9 * k,
            distances_mm={"oesophagus": 6.13 + 2.37 * k, "right_phrenic_nerve": 17.9 + 1.21 * k},
            leaks=fit.leaks + tuple(
                replace(leak, leak=2, width_mm=0.61, arc_deg=12.0, clock_h=4.2, side="inferior")
                for leak in fit.leaks
            ),
        )
        for k, fit in enumerate(fits)
    )  # fmt: skip
    return report_of(
        anatomy,
        tuple(with_tries(fit, k) for k, fit in enumerate(filled)),
        structures={"oesophagus": anatomy.wall, "right_phrenic_nerve": anatomy.wall},
    )


@pytest.fixture(scope="module")
def tables(report: Report) -> dict[str, list[Row]]:
    return {
        name: list(csv.DictReader(io.StringIO(content.decode())))
        for name, content in case_tables(report.result).items()
    }


class Cells(HTMLParser):
    """Every cell that says which column it shows, and the words of each section."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.cells: list[tuple[dict[str, str], str]] = []
        self.sections: dict[str, str] = {}
        self.lines: dict[str, str] = {}
        self._place, self._line, self._skip, self._depth = "", "", 0, 0
        self._open: list[tuple[int, dict[str, str], list[str]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in VOID:
            self.handle_data(" " if tag == "br" else "")
            return
        self._depth += 1
        attributes = {name: value or "" for name, value in attrs}
        if tag == "section":
            self._place = attributes.get("id", "")
        self._line = attributes.get("data-line", self._line)
        if tag in {"svg", "style", "pre"}:
            self._skip += 1
        if "data-field" in attributes:
            self._open.append((self._depth, attributes, []))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if tag in {"svg", "style", "pre"}:
            self._skip -= 1
        if self._open and self._open[-1][0] == self._depth:
            _, attributes, words = self._open.pop()
            self.cells.append((attributes, " ".join("".join(words).split())))
        self._depth -= 1
        if tag == "ol":
            self._line = ""
        if tag in {"td", "th", "p", "li"}:
            self.handle_data(" ")

    def handle_data(self, data: str) -> None:
        if self._skip:
            return
        self.sections[self._place] = self.sections.get(self._place, "") + data
        if self._line:
            self.lines[self._line] = self.lines.get(self._line, "") + data
        for _, _, words in self._open:
            words.append(data)


@pytest.fixture(scope="module")
def page(report: Report) -> Cells:
    return Cells(write_page(report))


def agree(shown: str, written: str, column: str) -> bool:
    """Whether what is shown is what the file says, to the digits shown."""
    if written in {"true", "false"}:
        return shown.split()[0].lower() == {"true": "yes", "false": "no"}[written]
    try:
        value = float(written)
    except ValueError:
        return shown in (written, written.replace("_", " "))
    if column.endswith("_clock_h"):
        return shown == f"{round(value) % 12 or 12} o'clock"
    number = re.match(r"−?\d+(?:\.(\d+))?", shown)
    assert number, (shown, column)
    digits = len(number[1] or "")
    told = float(number[0].replace("−", "-"))
    return abs(told - value) <= 0.5 * 10.0**-digits + 0.5 * 10.0 ** -decimals(column) + 1e-9


def test_every_cell_is_the_files_cell_and_every_column_is_there(
    page: Cells, tables: dict[str, list[Row]]
) -> None:
    walked = 0
    for name, keys in (("veins.csv", ("vein",)), ("fits.csv", ("vein", "balloon", "approach"))):
        for row in tables[name]:
            for column, written in row.items():
                if NOT_SHOWN.fullmatch(column) or column in keys or column == "reason":
                    continue
                shown = [
                    words
                    for a, words in page.cells
                    if a.get("data-field") == column
                    and a.get("data-vein") == row["vein"]
                    and a.get("data-balloon", "") == row.get("balloon", "")
                ]
                if column == "trunk_at_least":
                    continue  # told in the trunk's own cell, below
                assert shown, (name, row["vein"], column)
                for words in shown:
                    if written == "":
                        assert words.startswith("–"), (column, words)
                        continue
                    walked += 1
                    if column == "trunk_length_mm":
                        assert words.startswith("at least") == (row["trunk_at_least"] == "true")
                        words = words.removeprefix("at least ")
                    assert agree(words, written, column), (column, words, written)
    assert walked > 200


def test_each_vein_has_its_entry_of_a_corrections_file(report: Report) -> None:
    """The entry's own numbers are held against the vein where it is made."""
    text = html.unescape(write_page(report))
    for vein in report.result.anatomy.veins:
        assert f">{correction_entry(vein)}</pre>" in text


def test_ridges_and_leaks_are_the_files(page: Cells, tables: dict[str, list[Row]]) -> None:
    for row in tables["ridges.csv"]:
        shown = [w for a, w in page.cells if a.get("data-field") == "width_mm"]
        assert any(agree(words, row["width_mm"], "width_mm") for words in shown)
    assert tables["leaks.csv"]
    for row in tables["leaks.csv"]:
        words = f"{float(row['width_mm']):.2f} mm wide over {float(row['arc_deg']):.0f}°"
        section = next(t for k, t in page.sections.items() if f"Notes on {row['vein']}" in t
                       or (row["vein"] in t and k.startswith("vein")))  # fmt: skip
        assert words in section.replace("\xa0", " "), words


# ---- the other way: no number but those of the files ----------------------------------------


def numbers(text: str) -> list[str]:
    """The numbers in a text, hashes and names of columns left out."""
    return re.findall(r"(?<![\w.])[−-]?\d+(?:\.\d+)?(?![\w.]*\w)", text)


def spelled(rows: list[Row]) -> set[str]:
    """How each number of some rows may be written: to no, one or two decimals."""
    found = set()
    for row in rows:
        for column, written in row.items():
            try:
                value = float(written)
            except ValueError:
                continue
            if column.endswith("clock_h"):
                found.add(str(round(value) % 12 or 12))
            slack = 0.5 * 10.0 ** -decimals(column)
            for digits in (0, 1, 2):
                # A number that the file rounds may round to either side when rounded again.
                for near in (value - slack, value, value + slack):
                    text = f"{near:.{digits}f}"
                    text = text.lstrip("-") if float(text) == 0 else text
                    found.add(text.replace("-", "−"))
    return found


def rows_of(vein: str, tables: dict[str, list[Row]]) -> list[Row]:
    own = [row for name in ("veins.csv", "fits.csv", "leaks.csv")
           for row in tables[name] if row["vein"] == vein]  # fmt: skip
    own += [row for row in tables["comparisons.csv"] if row["vein"] == vein]
    return own + [row for row in tables["ridges.csv"] if vein in row.values()]


ALWAYS = {"12", "95", "1", "3", "5", "0", "0.5", "2", "4", "360"}
"""Numbers of words: hours, percent of a bound, parts of a scale, the tolerance, the cell."""


def chart_numbers(part: VeinPart) -> set[str]:
    drawings = (
        part.gaps,
        part.ostium,
        part.profile,
        *(d for _, d in (*part.maps, *part.aims, *part.further)),
    )
    return {n for d in drawings if d is not None for n in numbers(" ".join(d.texts))}


def strange(text: str, allowed: set[str]) -> list[str]:
    return [n for n in numbers(text.replace("\xa0", " ")) if n not in allowed]


def test_no_vein_section_has_a_number_of_its_own(
    page: Cells, report: Report, tables: dict[str, list[Row]]
) -> None:
    bands = {n for n in numbers("0.5 1 2 3 5")}
    for part in vein_parts(report):
        text = re.sub(r"\(tie\)|\btie\b", "", page.sections[part.anchor])
        beside = {n for c in part.comparisons for r in c.remarks for n in numbers(r.text)}
        allowed = spelled(rows_of(part.vein.name, tables)) | ALWAYS | bands | beside
        assert strange(text, allowed) == [], part.vein.name
        assert len(numbers(text)) > 80


def test_no_line_of_the_first_screen_has_a_number_of_its_own(
    page: Cells, report: Report, tables: dict[str, list[Row]]
) -> None:
    assert set(page.lines) == {vein.name for vein in report.result.anatomy.veins}
    for vein, line in page.lines.items():
        assert line.split()[0] == vein
        allowed = spelled(rows_of(vein, tables)) | spelled(grown(vein, tables))
        assert strange(line, allowed) == [], vein
        assert "An antral seal is likelier with" in line or "A tie:" in line
        assert len(numbers(line)) > 12


def grown(vein: str, tables: dict[str, list[Row]]) -> list[Row]:
    """One try, or grown: the first step's probability and the last one's gain together."""
    steps = [row for row in tables["growth.csv"] if row["vein"] == vein]
    first, last = float(steps[0]["seal_probability"]), float(steps[-1]["gain_probability"])
    return [*steps, {"either_probability": f"{first + last:.4f}"}]


def test_the_table_of_the_whole_case_is_the_file(
    report: Report, tables: dict[str, list[Row]], tmp_path: Path
) -> None:
    page = write_page(report).replace("\xa0", " ")
    paper = pages_of(write_pdf(report, "a4"), tmp_path)[0].replace("\xa0", " ")
    assert len(tables["expected.csv"]) >= 6
    for row in tables["expected.csv"]:
        told = (
            f"{float(row['expected_sealed']):.1f} (all: {float(row['all_sealed_probability']):.2f})"
        )
        assert f"<td>{told}</td>" in page, row
        assert told in paper, row


def test_the_comparison_of_sizes_is_the_file(
    page: Cells, report: Report, tables: dict[str, list[Row]]
) -> None:
    assert len(tables["comparisons.csv"]) == len(report.result.anatomy.veins)
    for row in tables["comparisons.csv"]:
        line, section = page.lines[row["vein"]], page.sections
        apart = [float(row[f"seal_difference{end}"]) for end in ("", "_low", "_high")]
        if apart[0] < 0:
            apart = [-apart[0], -apart[2], -apart[1]]
        told = "{:.2f} ({:.2f} to {:.2f})".format(*apart).replace("-", "−")
        assert told in line, (told, line)
        assert line.count("A tie:") == (row["tie"] == "true")
        beside = " ".join(section.values())
        for name in ("only_first", "only_second", "both", "neither"):
            assert f" in {float(row[name]):.2f}" in beside


def test_no_printed_page_has_a_number_of_its_own(
    report: Report, tables: dict[str, list[Row]], tmp_path: Path
) -> None:
    parts = vein_parts(report)
    pages = pages_of(write_pdf(report, "a4", parts), tmp_path)
    assert len(pages) == 1 + 2 * len(parts)
    for part, first, second in zip(parts, pages[1::2], pages[2::2], strict=True):
        text = " ".join(re.sub(rf"\d+ of {len(pages)}\b", "", page) for page in (first, second))
        beside = {n for c in part.comparisons for r in c.remarks for n in numbers(r.text)}
        allowed = spelled(rows_of(part.vein.name, tables)) | ALWAYS | chart_numbers(part) | beside
        assert strange(text, allowed) == [], part.vein.name
        # And none is missing: what the page on the screen says of a fit is on the paper too.
        said = set(numbers(text))
        for group in part.groups:
            for row in group.rows:
                for cell in row.cells:
                    if re.fullmatch(r"−?\d+(\.\d+)?", cell.text):
                        assert cell.text in said, (row.label, cell.text)


def test_a_wrong_number_would_be_found(page: Cells, report: Report) -> None:
    """The walk can fail: a number that the files do not have is strange."""
    assert not agree("23.9", "23.812", "d_max_mm")
    assert agree("23.8", "23.812", "d_max_mm")
    assert strange("leak 7.77 mm", {"7.7"}) == ["7.77"]
    assert numbers("d_max 23.8 × 18.8 mm, −5 h, abc12, 3f") == ["23.8", "18.8", "−5"]
