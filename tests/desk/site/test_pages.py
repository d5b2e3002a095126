"""What the page of a case tells. No outside source: what a signer would overlook."""

from __future__ import annotations

import json
import re
from dataclasses import replace

from desk.quick_jobs import write_result

WARNING = "and what is exported are from before"


def test_results_from_before_a_correction_are_told_beside_them(client, ready):
    case = ready()
    write_result(case.path / "result")
    assert WARNING not in client.ask("case/a/")[1].decode()
    (case.path / "corrections.toml").write_text("")
    page = client.ask("case/a/")[1].decode()
    assert WARNING in page and 'id="reviewed" disabled' in page


def test_they_are_told_whatever_became_of_the_run_that_followed(client, ready):
    case = ready()
    write_result(case.path / "result")
    case.ask(replace(case.options, phase="end diastole"))
    (case.path / "run.json").write_text('{"state": "failed", "reason": "it crashed"}')
    assert WARNING in client.ask("case/a/")[1].decode()


def test_what_puts_the_whole_case_in_doubt_stands_before_its_results(client, ready):
    case = ready()
    write_result(case.path / "result")
    record = case.path / "result" / "case.json"
    told = json.loads(record.read_text())
    told["notes"] = [
        {"stage": "corrections", "text": "made on <another> input", "severity": "warning"},
        {"stage": "surface", "text": "a hole was closed", "severity": "caution"},
    ]
    record.write_text(json.dumps(told))
    page = client.ask("case/a/")[1].decode()
    assert page.index("made on &lt;another&gt; input") < page.index("Read the report")
    assert "a hole was closed" not in page


FITS = (
    "vein,balloon,approach,outcome,reason,sealed,seal_probability,seal_probability_low,"
    "seal_probability_high\n"
    "LSPV,28 mm,transseptal,seated,,true,0.7,0.2,0.9\n"
    "LSPV,28 mm,coaxial,seated,,true,0.8,0.6,0.9\n"
)


def answers(client):
    """The row of the vein, and what stands above the table, without tags."""
    page = client.ask("case/a/")[1].decode()
    head, body = page.split('<table class="answers', 1)[1].split("</table>")[0].split("<tbody>")
    return [" ".join(re.sub("<[^>]+>", " ", part).split()) for part in (head, body)]


def test_the_answer_is_that_of_the_headline_and_not_of_the_reference(client, ready):
    case = ready()
    write_result(case.path / "result")
    assert "antral seal in one try, with its interval" in answers(client)[0]
    (case.path / "result" / "fits.csv").write_text(FITS)
    head, row = answers(client)
    assert "antral seal in one try, transseptal approach, with its interval" in head
    # The interval alone makes it uncertain: as on the report, that is said.
    assert row == "LSPV 18.0 × 15.0 uncertain 0.70 (0.20 to 0.90, wide) 0.90"


def test_the_words_are_those_of_the_settings_of_the_case(client, ready):
    case = ready()
    write_result(case.path / "result")
    assert "likely 0.80" in answers(client)[1]
    record = case.path / "result" / "case.json"
    told = json.loads(record.read_text())
    values = {"likely_from": {"value": 0.95}, "unlikely_to": {"value": 0.05}}
    told["run"]["settings"] = {"report": values}
    record.write_text(json.dumps(told))
    assert "uncertain 0.80 (0.60 to 0.90)" in answers(client)[1]
