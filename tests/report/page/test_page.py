from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from printed import pages_of
from report.inputs import report_of

from veinfit.anatomy.model import Anatomy
from veinfit.notes import Note
from veinfit.report.answers.tables import CERTAINTY_MEASURES, MEASURES, VEIN_MEASURES
from veinfit.report.colours import contrast
from veinfit.report.model import Picture, Report, picture_notes, unique_notes
from veinfit.report.page.page import write_page
from veinfit.report.paper.pdf import write_pdf
from veinfit.report.pictures.pictures import draw_pictures
from veinfit.report.practice import AGAINST_PRACTICE
from veinfit.result.provenance import InputFile
from veinfit.seating.model import Fit
from veinfit.settings import Settings, describe

VOID = {"meta", "img", "br", "circle", "path", "polyline", "polygon", "rect", "link", "input"}
HASH = "0123456789abcdef" * 4
HOSTILE = "</title></style><script>alert('x')</script><img src=x onerror=alert(1)>\"'&"


class Page(HTMLParser):
    """Reads a page, checks that its tags are balanced, and keeps what tests ask for."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.cells: list[tuple[dict[str, str], str]] = []
        self.words: list[str] = []
        self._open_cells: list[tuple[int, dict[str, str], list[str]]] = []
        self.feed(text)
        self.close()
        assert not self.open, self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = {name: value or "" for name, value in attrs}
        self.tags.append((tag, attributes))
        if tag not in VOID:
            self.open.append(tag)
        elif tag == "br":
            self.handle_data(" ")
        if "data-field" in attributes or tag == "td":
            self._open_cells.append((len(self.open), attributes, []))

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        assert self.open and self.open[-1] == tag, (tag, self.open)
        self.open.pop()
        if self._open_cells and self._open_cells[-1][0] == len(self.open) + 1:
            _, attributes, words = self._open_cells.pop()
            self.cells.append((attributes, " ".join("".join(words).split())))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            return
        self.words.append(data)
        for _, _, words in self._open_cells:
            words.append(data)

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def field(self, name: str, vein: str, balloon: str | None = None) -> list[tuple[str, str]]:
        """Return value and shown words of a field's cells."""
        return [
            (a["data-value"], words)
            for a, words in self.cells
            if a.get("data-field") == name
            and a.get("data-vein") == vein
            and a.get("data-balloon") == balloon
        ]


def _report(anatomy: Anatomy, fits: tuple[Fit, ...], **changes: Any) -> Report:
    given = {"case_id": "Larkmoor case 7", "inputs": (InputFile("atrium", ".stl", 1, HASH),)}
    return report_of(anatomy, fits, **{**given, **changes})


@pytest.fixture(scope="module")
def page(anatomy: Anatomy, fits: tuple[Fit, ...]) -> Page:
    return Page(write_page(_report(anatomy, fits)))


@pytest.fixture(scope="module")
def pictured(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Report, str]:
    folder = tmp_path_factory.mktemp("case")
    pictures = draw_pictures(anatomy, fits[:2], {}, folder, size_px=(600, 450), renderer="plain")
    report = _report(anatomy, fits[:2], pictures=pictures, folder=folder)
    return report, write_page(report)


def test_a_warning_is_the_first_line(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    doubted = replace(
        anatomy, notes=(*anatomy.notes, Note("names", "left may be right", severity="warning"))
    )
    text = write_page(_report(doubted, fits))
    told = Page(text)
    assert "Warning : left may be right Predicted balloon seats" in told.text
    (first, *_) = told.all("p")
    assert first == {"class": "warning", "role": "alert"}
    assert ".warning { " in text and "--alarm: #a30000" in text


def test_it_needs_no_network_and_no_script(pictured: tuple[Report, str]) -> None:
    _, text = pictured
    page = Page(text)
    names = {name for name, _ in page.tags}
    assert not names & {"script", "link", "iframe", "object", "embed", "base", "form"}
    for _, attributes in page.tags:
        assert not any(name.startswith("on") for name in attributes)
        for name in ("href", "src", "action", "srcset"):
            value = attributes.get(name, "#")
            assert value.startswith(("#", "data:image/")), value[:40]
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style and "@import" not in style
    policy = next(a["content"] for a in page.all("meta") if "http-equiv" in a)
    assert "default-src 'none'" in policy


def test_pictures_are_inside_with_words_for_those_who_cannot_see_them(
    pictured: tuple[Report, str],
) -> None:
    report, text = pictured
    images = Page(text).all("img")
    assert [image["alt"] for image in images] == [p.alt for p in report.pictures]
    assert all(len(image["src"]) > 2000 for image in images)


def test_the_same_input_gives_the_same_page(pictured: tuple[Report, str]) -> None:
    report, text = pictured
    assert write_page(report) == text


def test_a_missing_picture_is_told(anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path) -> None:
    gone = Picture("pictures/LSPV-28.png", "LSPV", "28", "its caption", "alt")
    for folder in (tmp_path, None):
        page = Page(write_page(_report(anatomy, fits, pictures=(gone,), folder=folder)))
        assert "The picture pictures/LSPV-28.png is missing" in page.text
        assert not page.all("img")
    assert "No overview picture was made" in page.text
    assert "its caption" not in page.text


def test_a_caption_that_no_picture_holds_stands_below_it(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    for captioned in (False, True):
        plane = Picture("x.png", "LSPV", "28", "its caption", "alt", captioned=captioned)
        page = Page(write_page(_report(anatomy, fits, pictures=(plane,))))
        assert ("its caption" in page.text) is not captioned


@pytest.mark.parametrize("measure", MEASURES, ids=lambda m: m.field)
def test_every_figure_of_a_fit_is_the_fits_own(
    page: Page, fits: tuple[Fit, ...], measure: object
) -> None:
    field, digits = measure.field, measure.digits  # type: ignore[attr-defined]
    computed = any(getattr(fit, field) not in (None, "") for fit in fits)
    for fit in fits:
        found = page.field(field, fit.vein, fit.balloon)
        if not measure.always and not computed:  # type: ignore[attr-defined]
            assert not found
            continue
        assert found, field
        value = getattr(fit, field)
        for stored, shown in found:
            if value is None or value == "":
                assert stored == "" and shown.startswith("–") and len(shown) > 4
            elif isinstance(value, bool):
                assert (stored, shown) == (str(value).lower(), "yes" if value else "no")
            elif isinstance(value, float):
                assert float(stored) == value
                if field == "leak_clock_h":
                    assert shown == f"{round(value) % 12 or 12} o'clock"
                    continue
                assert f"{value:.{digits}f}".replace("-", "−") in shown
            else:
                assert stored == str(value) == shown


@pytest.mark.parametrize("measure", [*VEIN_MEASURES, *CERTAINTY_MEASURES], ids=lambda m: m.field)
def test_every_figure_of_a_vein_is_the_veins_own(
    page: Page, anatomy: Anatomy, measure: object
) -> None:
    for vein in anatomy.veins:
        ((stored, shown),) = page.field(measure.field, vein.name)  # type: ignore[attr-defined]
        value = measure.get(vein)  # type: ignore[attr-defined]
        if value is None:
            assert stored == "" and shown.startswith("– could not be measured")
            continue
        assert float(stored) == value
        assert f"{value:.{measure.digits}f}".replace("-", "−") in shown  # type: ignore[attr-defined]


def test_the_first_screen_has_a_line_for_every_vein_those_in_doubt_first(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    chances = {"LSPV": (0.9, 0.7), "LIPV": (0.2, 0.1), "RSPV": (0.5, 0.6), "RIPV": (0.95, 0.99)}
    count = dict.fromkeys(chances, 0)
    told = []
    for fit in fits:
        told.append(replace(fit, seal_probability=chances[fit.vein][count[fit.vein]]))
        count[fit.vein] += 1
    page = Page(write_page(_report(anatomy, tuple(told))))
    lines = [a["data-line"] for a in page.all("li") if "data-line" in a]
    assert lines == ["LIPV", "RSPV", "LSPV", "RIPV"]
    # No size is set off from another: emphasis would be read as advice.
    assert {a["class"] for a in page.all("p") if "size" in a.get("class", "").split()} == {"size"}
    assert "unlikely 0.20" in page.text and "likely 0.99" in page.text
    assert "uncertain 0.60" in page.text


def test_the_nominal_seat_is_told_but_does_not_lead(page: Page, fits: tuple[Fit, ...]) -> None:
    leaking = [fit for fit in fits if not fit.occluded]
    assert leaking
    for fit in leaking:
        assert gap_words(fit) in page.text.replace("\xa0", " ")
    assert re.search(r"Nominal seat [^.;]*sealed", page.text)


def gap_words(fit: Fit) -> str:
    hour = round(fit.leak_clock_h) % 12 or 12  # type: ignore[arg-type]
    width = f"{fit.leak_width_mm:.2f} mm wide"
    return f"leaks {fit.leak_side}, {hour} o'clock, {width}"


def test_how_the_model_does_against_practice_stands_beside_the_lines(page: Page) -> None:
    assert AGAINST_PRACTICE in page.text


def test_figures_of_the_default_settings_are_not_told_of_others(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    hard = Settings.from_mapping({"seating": {"ring_stiffness_kpa_per_mm": 4.0}})
    text = write_page(report_of(anatomy, fits, settings=hard))
    assert AGAINST_PRACTICE not in text
    assert "seating.ring_stiffness_kpa_per_mm differs from them" in text


def test_questions_come_in_the_physicians_order(page: Page) -> None:
    text = page.text
    section = text[text.index("The predictions in figures") :]
    at = [
        section.index(q)
        for q in ("Does it seal?", "The nominal seat", "Where is it weak?", "How deep?")
    ]
    assert at == sorted(at)
    assert section.index("Antral seal, one try") < section.index("The nominal seat")


def test_what_could_not_be_had_is_a_dash_with_its_reason_and_never_zero(
    anatomy: Anatomy, fits: tuple[Fit, ...], without_seat: Callable[[Fit], Fit]
) -> None:
    gone = without_seat(fits[0])
    vein = replace(anatomy.veins[0], takeoff_wall_deg=None)
    case = replace(anatomy, veins=(vein,))
    page = Page(write_page(_report(case, (gone,))))
    for field in ("depth_mm", "leak_width_mm", "occluded", "contact_area_mm2", "contact_arc_deg"):
        for stored, shown in page.field(field, "LSPV", "28"):
            assert stored == ""
            assert shown.startswith("– ")
    assert page.text.count("no equilibrium up to a depth of 25 mm") > 3
    ((stored, shown),) = page.field("takeoff_wall_deg", "LSPV")
    assert stored == "" and "could not be measured" in shown
    assert "No seat: passes through" in page.text


def test_no_name_can_become_markup(anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path) -> None:
    vein = replace(
        anatomy.veins[0],
        name=HOSTILE,
        branches=(HOSTILE,),
        notes=(Note(HOSTILE, HOSTILE, HOSTILE, "caution"),),
    )
    ridge = replace(anatomy.ridges[0], start=HOSTILE, end=HOSTILE + "2")
    case = replace(anatomy, veins=(vein,), ridges=(ridge,), notes=(Note("x", HOSTILE),))
    fit = replace(
        fits[0],
        vein=HOSTILE,
        balloon=HOSTILE,
        reason=HOSTILE,
        outcome="not assessed",
        leak_side=HOSTILE,
        distances_mm={HOSTILE: 4.25},
        leaks=tuple(replace(leak, side=HOSTILE) for leak in fits[0].leaks * 2),
        notes=(Note("seating", HOSTILE, HOSTILE),),
    )
    report = _report(
        case,
        (fit,),
        case_id=HOSTILE,
        created=HOSTILE,
        version=HOSTILE,
        cardiac_phase=HOSTILE,
        image_date=HOSTILE,
        inputs=(InputFile(HOSTILE, HOSTILE, 1, HOSTILE),),
        pictures=(Picture(f"pictures/{HOSTILE}", HOSTILE, HOSTILE, HOSTILE, HOSTILE),),
        folder=tmp_path,
        notes=(Note("input", HOSTILE, HOSTILE),),
        structures={HOSTILE: anatomy.wall},
    )
    plain = Page(write_page(_report(case, (fit,))))
    page = Page(write_page(report))  # balanced: nothing broke out of its place
    assert {name for name, _ in page.tags} <= {name for name, _ in plain.tags} | {"p", "figure"}
    assert "script" not in {name for name, _ in page.tags}
    assert not page.all("img")
    assert not any(name.startswith("on") for _, attributes in page.tags for name in attributes)
    assert HOSTILE.replace("  ", " ") in page.text


def test_notes_come_cautions_first_and_each_once(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    info, caution = Note("input", "a remark"), Note("ostium", "beware", "LSPV", "caution")
    picture = Picture(
        "pictures/x.png", "", "", "c", "a", notes=(Note("pictures", "drawn plainly"),)
    )
    vein = replace(anatomy.veins[0], notes=(caution, caution))
    case = replace(anatomy, veins=(vein, *anatomy.veins[1:]), notes=(info,))
    report = _report(case, fits, notes=(info, info), pictures=(picture, picture))
    text = write_page(report)
    assert text.count("a remark") == 1 and text.count("beware") == 1
    start = text.index('<section id="notes">')
    notes = text[start : text.index("</section>", start)]
    assert "a remark" in notes and "drawn plainly" in notes
    # A vein's own notes stand in its own part, and the first screen says that there are cautions.
    assert text.index('id="vein-1"') < text.index("beware") < text.index('id="vein-2"')
    assert "1 caution<" in text
    assert unique_notes([info, caution, info]) == (caution, info)
    assert picture_notes([picture, picture]) == picture.notes


def test_the_input_verdict_and_the_approach_stand_on_the_first_screen(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    notes = (
        Note("seating", "the crossing was estimated", "septal_crossing", "caution"),
        Note("verdict", "good to 1 mm"),
    )
    text = Page(write_page(_report(anatomy, fits, notes=notes))).text
    words = (
        "Input : good to 1 mm",
        "Approach : the crossing was estimated",
        "measurement confidence",
    )
    at = [text.index(w) for w in words]
    assert at == sorted(at)


def test_settings_origin_and_cautions_are_all_there(page: Page) -> None:
    text = page.text
    for group, name, _, data in describe(Settings()):
        assert f"{group}.{name}" in text
        assert " ".join(data["meaning"].split()) in text
        assert " ".join(data["basis"].split()) in text
    assert HASH in text and "veinfit 0.1.0" in text and "2026-11-25T10:00:00Z" in text
    assert "not a medical device" in text
    assert "cardiac phase" in text and "licensed physician" in text
    assert "coaxial approach, which is assumed" in text
    assert "No neighbouring structure was supplied" in text
    assert "– not stated" in text


def test_infinite_settings_are_written_as_such(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    settings = Settings.from_mapping({"seating": {"locking_depth_mm": float("inf")}})
    assert "∞" in Page(write_page(_report(anatomy, fits, settings=settings))).text


def test_no_word_tells_a_physician_what_to_do(page: Page) -> None:
    forbidden = r"\b(should|must|recommend\w*|advis\w*|choose|prefer\w*|avoid|use the)\b"
    assert re.findall(forbidden, page.text, flags=re.IGNORECASE) == []


def test_distances_and_neighbours_are_shown(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    near = tuple(replace(f, distances_mm={"oesophagus": 12.345}) for f in fits[:1]) + fits[1:2]
    structures = {"oesophagus": anatomy.wall, "right_phrenic_nerve": anatomy.wall}
    page = Page(write_page(_report(anatomy, near, structures=structures)))
    ((stored, shown),) = page.field("distance_oesophagus_mm", "LSPV", "28")
    assert (stored, shown) == ("12.345", "12.3")
    ((stored, shown),) = page.field("distance_right_phrenic_nerve_mm", "LSPV", "31")
    assert stored == "" and shown.startswith("– ")
    assert "What is near?" in page.text
    assert "Freezing zone to right phrenic nerve" in page.text
    assert page.field("width_mm", "LSPV") == [("4.2", "4.2 mm")]


def test_both_approaches_are_told_apart(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    both = (*fits[:2], *(replace(f, approach="transseptal") for f in fits[:2]))
    text = Page(write_page(_report(anatomy, both))).text
    assert "28 mm, coaxial" in text and "28 mm, transseptal" in text
    assert "coaxial and a transseptal approach" in text


def test_page_and_paper_say_that_neither_seals_though_no_arc_is_open_with_both(
    anatomy: Anatomy, fits: tuple[Fit, ...], tmp_path: Path
) -> None:
    small, large = (
        replace(fit, sealed=False, clock=tuple(
            replace(r, gap_mm=2.0 if k // 10 == where else -1.0) for k, r in enumerate(fit.clock)
        ))
        for where, fit in enumerate(fits[:2])
    )  # fmt: skip
    report = _report(anatomy, (small, large))
    page = Page(write_page(report)).text
    paper = " ".join(" ".join(pages_of(write_pdf(report), tmp_path)).split())
    assert "Neither seals No part of the circumference is open with both." in page
    assert "Neither seals: no part of the circumference is open with both." in paper


def test_a_probability_is_shown_with_its_bounds(anatomy: Anatomy, fits: tuple[Fit, ...]) -> None:
    likely = replace(
        fits[0], seal_probability=0.83, seal_probability_low=0.7, seal_probability_high=0.91
    )
    text = Page(write_page(_report(anatomy, (likely,)))).text
    assert "likely 0.83 (0.70 to 0.91)" in text
    assert "Antral seal, one try 0.83 ( 0.70 to 0.91 )" in text
    (absent,) = re.findall(r"Not computed for this case[^.]*\.", text)
    assert "Antral seal, one try" not in absent and "Grade, 4 complete" in absent


def test_six_veins_and_three_balloons_are_all_told(
    six_veins: tuple[Anatomy, tuple[Fit, ...]],
) -> None:
    anatomy, fits = six_veins
    page = Page(write_page(_report(anatomy, fits)))
    assert len([a for a in page.all("li") if "data-line" in a]) == 6
    assert len([a for a in page.all("p") if a.get("class", "").startswith("size")]) == 18
    links = {a["href"][1:] for a in page.all("a")}
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    assert links <= set(ids)


def test_a_vein_without_measures_is_told_with_its_reason(
    anatomy: Anatomy, fits: tuple[Fit, ...]
) -> None:
    case = replace(anatomy, unmeasured={"RMPV": "its section runs out of the <wall>"})
    lost = Fit("RMPV", "28", 28.0, "coaxial", "not assessed", "not measured: its section")
    for veins in (anatomy.veins, ()):
        page = Page(write_page(_report(replace(case, veins=veins), (*fits, lost))))
        assert "not measured: its section runs out of the <wall>" in page.text
        assert page.text.count("RMPV") == 1
    fails = replace(lost, vein="ICPV", notes=(Note("seating", "a fault", "ICPV", "caution"),))
    text = Page(write_page(_report(anatomy, (*fits, fails)))).text
    assert "ICPV – not measured" in text and "a fault" in text


@pytest.mark.parametrize("left", ["veins", "fits", "everything"])
def test_an_empty_case_still_reads(anatomy: Anatomy, fits: tuple[Fit, ...], left: str) -> None:
    bare = replace(anatomy, veins=(), appendage=None, mitral=None, ridges=(), notes=())
    case = {"veins": (anatomy, ()), "fits": (bare, fits), "everything": (bare, ())}[left]
    page = Page(write_page(_report(*case, case_id="")))
    assert "Unnamed case" in page.text
    if left == "veins":
        assert "no balloon was tried" in page.text
    elif left == "fits":
        assert page.text.count("not measured: ") == 4
    else:
        assert "No vein was measured" in page.text


def test_it_is_laid_out_for_readers_of_every_kind(pictured: tuple[Report, str]) -> None:
    _, text = pictured
    page = Page(text)
    assert page.all("html") == [{"lang": "en"}]
    assert any(a.get("name") == "viewport" for a in page.all("meta"))
    assert len(page.all("caption")) == len(page.all("table"))
    levels = [int(name[1]) for name, _ in page.tags if re.fullmatch(r"h\d", name)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    for attributes in page.all("svg"):
        named = attributes.get("role") == "img" and attributes.get("aria-label")
        assert named or attributes.get("aria-hidden") == "true"
    assert all(attributes.get("scope") for attributes in page.all("th"))
    style = text[text.index("<style>") : text.index("</style>")]
    assert "@media print" in style and "max-width: 46rem" in style


def test_the_style_keeps_the_contrast_that_readers_need(pictured: tuple[Report, str]) -> None:
    """WCAG 2.2, 1.4.3, AA: 4.5 to 1 for text."""
    _, text = pictured
    style = text[text.index("<style>") : text.index("</style>")]
    light, dark = re.findall(r":root \{[^}]*\}", style)
    for scheme, more in ((light, ("#ffffff", "#fdf5ee")), (dark, ("#14191e",))):
        named = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", scheme))
        for ink in ("ink", "muted", "accent", "warn"):
            for ground in (named["tint"], *more):
                assert contrast(named[ink], ground) >= 4.5, (ink, ground)
    used = set(re.findall(r'(?:^|[^-])fill="(#[0-9a-f]{6})"[^>]*>[^<]', text))
    assert used
    assert all(contrast(colour, "#ffffff") >= 4.5 for colour in used)
