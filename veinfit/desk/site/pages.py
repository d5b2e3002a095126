"""The desk's pages: data put into templates; nothing is computed for them."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from veinfit.desk.site.desk import Desk, values_of
from veinfit.desk.store.cases import EARLIER, REVIEWED, RUN, SECOND, SIGNED, CaseFolder
from veinfit.desk.store.parts import IN_WORDS, NEIGHBOURS
from veinfit.desk.store.signed_copies import COPIES
from veinfit.desk.store.signing import changed_since_signing
from veinfit.errors import InputError
from veinfit.io.results.provenance import program_versions
from veinfit.labels.model import LABEL_NAMES
from veinfit.report.cautions import CAUTIONS
from veinfit.report.definitions import DEFINITIONS
from veinfit.report.viewer.viewer import embedded_json, script_hash, viewer_script
from veinfit.report.wording import WIDE, likelihood, scale_words
from veinfit.settings import ReportSettings, Settings

FRONT_SCRIPTS = ("desk.js", "taking_in.js", "leaving.js", "study.js", "front.js")
CASE_SCRIPTS = (
    "desk.js",
    "taking_in.js",
    "leaving.js",
    "study.js",
    "part_view.js",
    "setting_up.js",
    "case.js",
)

NO_ANSWERS: Mapping[str, Any] = {"balloons": (), "rows": (), "approach": ""}
THRESHOLDS = ("likely_from", "unlikely_to")
"""Settings of the report on which its words hang."""
PART_NAMES = tuple((name, IN_WORDS.get(name, "")) for name in (*LABEL_NAMES, *NEIGHBOURS))
"""What a part can be, each with what its name stands for."""


@lru_cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("veinfit.desk", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@lru_cache
def _text(name: str) -> str:
    return (resources.files("veinfit.desk") / "templates" / name).read_text("utf-8")


def _written(
    template: str, scripts: tuple[str, ...], data: dict[str, Any], viewer: bool = False, **more: Any
) -> tuple[str, str]:
    """Return a page and the policy to send it with: no script but its own, no other address."""
    parts = [viewer_script()] if viewer else []
    script = "\n" + "".join([*parts, *map(_text, scripts)]) if scripts or viewer else ""
    page = (
        _environment()
        .get_template(template)
        .render(
            cautions=CAUTIONS,
            version=program_versions()["veinfit"],
            style=Markup(_text("desk.css")),
            data=embedded_json(data),
            script=Markup(script),
            **more,
        )
    )
    allowed = f"'{script_hash(script)}'" if script else "'none'"
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; "
        "img-src 'self' data:; connect-src 'self'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    )
    return page, policy


def front_page(desk: Desk) -> tuple[str, str]:
    """Return the page that lists the cases."""
    states = desk.states()
    data = {
        "cases": states,
        "reading": desk.only_reading(),
        "loose": desk.loose(),
        "who": desk.who,
    }
    first = not states
    return _written(
        "front.html.j2", FRONT_SCRIPTS, data, root="", folder=desk.folder.name, first=first
    )


def case_page(desk: Desk, case: CaseFolder) -> tuple[str, str]:
    """Return the page of one case."""
    state = desk.state(case)
    try:
        options: dict[str, Any] = dict(values_of(case.options))
    except InputError as error:
        options = {"fault": str(error)}
    signed = case.state_file(SIGNED) if case.is_signed else {}
    data = {
        "name": case.name,
        "address": quote(case.name),
        "state": state,
        "options": options,
        "reading": desk.only_reading(),
        "who": desk.who,
        "part_names": PART_NAMES,
        "run": case.state_file(RUN),
        "outdated": state["outdated"],
        "own_files": case.result != case.path,
    }
    return _written(
        "case.html.j2",
        CASE_SCRIPTS,
        data,
        viewer=True,
        root="../../",
        name=case.name,
        address=quote(case.name),
        state=state,
        has_result=case.has_result,
        outdated=state["outdated"],
        has_picture=(case.result / "pictures" / "overview.png").is_file(),
        has_earlier=(case.path / EARLIER / "case.json").is_file(),
        has_pdf=(case.result / "report.pdf").is_file(),
        shown=COPIES if signed and (case.path / COPIES / "report.html").is_file() else "result",
        reviewed=case.state_file(REVIEWED),
        signed=signed,
        changed=changed_since_signing(case) if signed else (),
        second=(case.path / SECOND).is_file(),
        warnings=_warnings(case) if case.has_result else (),
        answers=_answers(case.result) if case.has_result else NO_ANSWERS,
    )


def opening_page(desk: Desk, case: CaseFolder, fault: str) -> tuple[str, str]:
    """Return the page that stands while a review is opened."""
    return _written(
        "opening.html.j2",
        () if fault else ("desk.js", "opening.js"),
        {},
        root="../../../",
        name=case.name,
        address=quote(case.name),
        fault=fault,
    )


def help_page(desk: Desk) -> tuple[str, str]:
    """Return the definitions."""
    likely = f"Words for the predicted probability of a seal. {scale_words(Settings().report)}"
    return _written("help.html.j2", (), {}, root="", definitions=DEFINITIONS, likely=likely)


def _warnings(case: CaseFolder) -> tuple[str, ...]:
    """Return what puts all of a case in doubt: nobody signs without having seen it."""
    try:
        notes = json.loads((case.result / "case.json").read_text("utf-8")).get("notes", ())
        return tuple(str(n["text"]) for n in notes if n["severity"] == "warning")
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return ()


def _answers(result: Path) -> Mapping[str, Any]:
    """Return what the results say of each vein, in short, from their tables."""
    try:
        veins = {row["vein"]: row for row in _rows(result / "veins.csv")}
        fits = list(_rows(result / "fits.csv"))
    except (OSError, KeyError):
        return NO_ANSWERS
    # The first approach is the headline of the case; the other one is for reference.
    approaches = list(dict.fromkeys(row.get("approach", "") for row in fits))
    fits = [row for row in fits if row.get("approach", "") in approaches[:1]]
    settings = _word_thresholds(result)
    balloons = list(dict.fromkeys(row["balloon"] for row in fits))
    names = dict.fromkeys([*veins, *(row["vein"] for row in fits)])
    rows = []
    for name in names:
        vein = veins.get(name)
        mine = {row["balloon"]: row for row in fits if row["vein"] == name}
        rows.append(
            {
                "vein": name,
                "ostium": f"{float(vein['d_max_mm']):.1f} × {float(vein['d_min_mm']):.1f}"
                if vein
                else "not measured",
                "confidence": f"{float(vein['confidence']):.2f}" if vein else "",
                "cells": [_chance(mine.get(balloon), settings) for balloon in balloons],
            }
        )
    told = approaches[0] if len(approaches) > 1 else ""
    return {"balloons": balloons, "rows": rows, "approach": told}


def _word_thresholds(result: Path) -> ReportSettings:
    """Return the settings from which the words of a case's report were made."""
    usual = Settings().report
    try:
        told = json.loads((result / "case.json").read_text("utf-8"))["run"]["settings"]["report"]
        return replace(usual, **{name: float(told[name]["value"]) for name in THRESHOLDS})
    except (OSError, ValueError, KeyError, TypeError):
        return usual


def _chance(row: dict[str, str] | None, settings: ReportSettings) -> str:
    """Say how likely one try is to seal antrally, in the report's words."""
    if row is None:
        return ""
    if row["outcome"] != "seated":
        return f"{row['outcome']}: {row['reason']}" if row["reason"] else row["outcome"]
    if not row["seal_probability"]:
        return "nominal seat sealed" if row["sealed"] == "true" else "nominal seat not sealed"
    value = float(row["seal_probability"])
    low, high = (float(row[f"seal_probability_{end}"] or value) for end in ("low", "high"))
    word = likelihood(value, settings, (low, high))
    # As on the report: where the interval alone makes it uncertain, that is said.
    wide = "" if word == likelihood(value, settings) else f", {WIDE}"
    return f"{word} {value:.2f} ({low:.2f} to {high:.2f}{wide})"


def _rows(path: Path) -> Iterator[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream)
