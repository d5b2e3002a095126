"""What the page of a case tells. No outside source: what a signer would overlook."""

from __future__ import annotations

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
