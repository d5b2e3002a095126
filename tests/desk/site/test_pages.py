"""What the page of a case tells. No outside source: what a signer would overlook."""

from __future__ import annotations

import json
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
