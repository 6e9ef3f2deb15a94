"""Statistics and verdict, against numpy and runs made by hand."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.qualifying.document import run_document
from controller.qualifying.statistics import figures_of, spread_of
from controller.qualifying.verdict import LIMITS, Result, Verdict, judge, read_limits
from controller.records import Outcome, Reason
from controller.records import Result as Came
from profiles.errors import BadValue
from tests.controller.qualifying.runs import a_run, bad, good

VALUES = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=300)


@given(VALUES)
def test_spreads_are_those_of_numpy(values: list[float]) -> None:
    spread = spread_of(values)
    assert spread is not None
    assert spread.median == pytest.approx(float(np.median(values)), abs=1e-6)
    assert spread.mean == pytest.approx(float(np.mean(values)), abs=1e-6)
    # Nearest rank is numpy's inverted_cdf.
    assert spread.p95 == float(np.percentile(values, 95, method="inverted_cdf"))
    assert (spread.least, spread.most, spread.count) == (min(values), max(values), len(values))
    if len(values) > 1:
        assert spread.deviation == pytest.approx(float(np.std(values, ddof=1)), rel=1e-6, abs=1e-6)


def test_nothing_has_no_spread() -> None:
    assert spread_of([]) is None


def test_failures_are_counted_by_kind_with_where_they_were() -> None:
    run = a_run(
        [
            (good(), good()),
            (bad(Reason.NO_ECHO), bad(Reason.NO_ECHO)),
            (bad(Reason.ECHO_WRONG), good(attempts=2)),
            (bad(Reason.LOCKED, Came.REFUSED), good()),
        ]
    )
    figures = figures_of(run)
    assert (figures.commands, figures.good, figures.failed, figures.retried) == (8, 4, 4, 4)
    kinds = {failure.kind: (failure.count, failure.cycles) for failure in figures.failures}
    assert kinds == {
        "failed (no-echo)": (2, (2, 2)),
        "failed (echo-wrong)": (1, (3,)),
        "refused (locked)": (1, (4,)),
    }
    assert figures.failures[0].actions == (("power-on", 1), ("standby", 1))
    assert (figures.on.good, figures.off.good) == (1, 3)


def verdict_of(outcomes: list[tuple[Outcome, Outcome]], *limits: str, method: str = "loop") -> Verdict:
    run = a_run(outcomes, method=method)
    return judge(run, figures_of(run), read_limits(limits))


def met(verdict: Verdict, name: str) -> bool | None:
    return next(check.met for check in verdict.checks if check.limit.name == name)


def test_a_run_without_a_failure_passes_and_one_with_one_fails() -> None:
    assert verdict_of([(good(), good())] * 20).result is Result.PASS
    once = verdict_of([*[(good(), good())] * 19, (bad(), good())])
    assert once.result is Result.FAIL
    assert met(once, "failures") is False
    assert (
        verdict_of([*[(good(), good())] * 19, (bad(), good())], "failures=3", "shown=97").result
        is Result.PASS
    )


def test_late_echoes_retries_and_missing_units_fail() -> None:
    late = [(good(lag=126.0), good())] * 10  # half of the time-out of 250 ms is 125 ms
    assert met(verdict_of(late), "lag") is False
    assert met(verdict_of(late, "lag=200"), "lag") is True
    assert met(verdict_of([(good(attempts=2), good())] * 5), "retried") is False
    assert met(verdict_of([(good(units=1), good())] * 5), "units-missing") is False
    assert met(verdict_of([(good(units=None), good(units=None))] * 5), "units-missing") is None
    assert met(verdict_of([(good(took=90), good())] * 5), "took") is None
    assert met(verdict_of([(good(took=90), good())] * 5, "took=80"), "took") is False


def test_what_is_only_sent_shows_nothing() -> None:
    sent = Outcome("id", Came.SENT, text="sent", frames=3, attempts=1, took_ms=3.0)
    verdict = verdict_of([(sent, sent)] * 5, method="none")
    assert verdict.result is Result.NOT_SHOWN
    assert met(verdict, "shown") is None
    assert not verdict.passed


def test_a_run_that_ended_early_never_passes() -> None:
    run = a_run([(good(), good())] * 2)
    run.incomplete, run.completed = "it was stopped", 2
    assert judge(run, figures_of(run), {}).result is Result.INCOMPLETE
    failed = a_run([(bad(), good())])
    failed.incomplete = "it was stopped"
    verdict = judge(failed, figures_of(failed), {})
    assert verdict.result is Result.FAIL
    assert "it was stopped" in verdict.text


def test_waveforms_tap_and_power_up_count_where_they_are_given() -> None:
    run = a_run([(good(), good())] * 4)
    for trial in run.trials:
        trial.tapped = trial.cycle != 2
        trial.up_after = 1.5 * trial.cycle if trial.phase == "on" else None
    figures = figures_of(run)
    assert figures.tapped == (6, 8)
    assert figures.power_up_s is not None
    assert (figures.power_up_s.least, figures.power_up_s.most) == (1.5, 6.0)
    verdict = judge(run, figures, {"power-up": 5.0}, waveforms_differ=1)
    assert [met(verdict, name) for name in ("tapped", "power-up", "waveforms")] == [False, False, False]
    assert judge(run, figures, {"tapped": 75, "power-up": 6}, waveforms_differ=0).result is Result.PASS


def test_every_limit_says_where_it_is_from() -> None:
    verdict = verdict_of([(good(), good())], "lag=50")
    assert all(check.limit.source for check in verdict.checks)
    assert next(check.limit.source for check in verdict.checks if check.limit.name == "lag") == "as given"


@pytest.mark.parametrize("word", ["lag", "lags=3", "lag=", "lag=-1", "lag=nan", "=3", "failures=1e99"])
def test_a_wrong_limit_is_told_with_the_names_that_there_are(word: str) -> None:
    with pytest.raises(BadValue) as caught:
        read_limits([word])
    assert "names are" in str(caught.value) or "from 0 up" in str(caught.value)


def test_the_document_is_json_and_has_every_command() -> None:
    run = a_run([(good(), bad())] * 3)
    figures = figures_of(run)
    document = run_document(run, figures, judge(run, figures, {}), None)
    told = json.loads(json.dumps(document))
    assert told["verdict"] == "fail"
    assert [each["outcome"] for each in told["commands"]] == ["confirmed", "failed"] * 3
    assert {each["name"] for each in told["limits"]} == {limit.name for limit in LIMITS}
    assert told["profile"]["sha256"] == "ab" * 32
    assert told["adapter"]["port"] == "/dev/ttyUSB0"
    assert told["figures"]["failures"][0]["count"] == 3
