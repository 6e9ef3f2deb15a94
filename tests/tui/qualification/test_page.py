"""The report's page: what it says, that it needs nothing else, that no text in it is markup."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.qualifying.document import run_document
from controller.qualifying.statistics import figures_of
from controller.qualifying.trials import Trials
from controller.qualifying.verdict import judge
from controller.records import Reason
from tests.controller.qualifying.runs import a_run, bad, good
from tui.qualification.axes import Axis, round_ticks
from tui.qualification.page import report_page
from tui.qualification.plots import histogram
from tui.qualification.writing import make_report

VOID = {"meta", "br", "img", "link", "input"}


class Reader(HTMLParser):
    """Holds tags against each other, and gathers texts and attributes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    reader.close()
    return reader


def page_of(run: Trials) -> str:
    figures = figures_of(run)
    return report_page(run_document(run, figures, judge(run, figures, {})))


def with_lags(run: Trials) -> Trials:
    for trial in run.trials:
        if trial.outcome.result.good:
            trial.lags = [0.006 + 0.0001 * trial.cycle] * 4
            trial.up_after = 1.2 if trial.phase == "on" else None
    return run


def test_the_page_says_what_was_tested_how_it_went_and_the_verdict() -> None:
    run = with_lags(a_run([(good(), good())] * 18 + [(bad(), good()), (good(), bad(Reason.ECHO_WRONG))]))
    reader = read(page_of(run))
    assert reader.open == []
    assert reader.wrong == []
    for part in (
        "Qualification of Foyer amplifier", "✗ Failed", "failed (no-echo)", "failed (echo-wrong)",
        "pellgate-chain", "ab" * 32, "/dev/ttyUSB0", "1.00 ms, and up to 0.20 ms more",
        "A5 01 01 02", "20 of 20", "✗ past it",
        "half of the profile's time-out", "our own choice", "no emergency stop", "false (confirmed)",
    ):  # fmt: skip
        assert part in reader.text, part
    # A strip of outcomes, times, lags, their spread, power-up times.
    assert reader.tags.count("svg") == 5
    labels = [value for name, value in reader.attributes if name == "aria-label"]
    assert len(labels) == 5
    assert "Commands of 20 cycles, on above off; 2 failed" in labels


def test_the_page_needs_nothing_from_outside_and_runs_nothing() -> None:
    page = page_of(with_lags(a_run([(good(), good())] * 3)))
    reader = read(page)
    assert not {"script", "link", "img", "iframe", "object", "embed", "form"} & set(reader.tags)
    names = {name for name, _ in reader.attributes}
    assert not {name for name in names if name in ("src", "href", "srcset", "data") or name.startswith("on")}
    assert "http" not in page.replace('http-equiv="Content-Security-Policy"', "")
    assert "url(" not in page
    assert "@import" not in page
    assert "default-src 'none'" in page


def test_the_page_has_a_dark_and_a_printed_look() -> None:
    page = page_of(a_run([(good(), good())]))
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1 for text.
    for block in re.findall(r":root \{[^}]*\}", page):
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6})", block))
        for name in ("ink", "quiet", "good", "bad", "care"):
            for ground in ("ground", "card"):
                assert contrast(colours[name], colours[ground]) >= 4.5, (block[:60], name, ground)


def contrast(one: str, other: str) -> float:
    """The contrast ratio of two colours by WCAG 2.1."""

    def luminance(colour: str) -> float:
        digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
        parts = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
        linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


HOSTILE = "<script>alert(1)</script>\"'&\x1b[31m\u202e"


@given(st.one_of(st.just(HOSTILE), st.text(max_size=60)))
def test_no_text_can_become_markup(text: str) -> None:
    run = a_run([(good(), replace(bad(), text=text, look_at=text))])
    run.subject = replace(
        run.subject, site=text, unit_title=text, port=text, profile_title=text, profile=text
    )
    run.notes, run.incomplete = [text], text
    page = page_of(run)
    reader = read(page)
    assert "script" not in reader.tags
    assert (reader.open, reader.wrong) == ([], [])
    assert "\x1b" not in page
    assert "\u202e" not in page
    page.encode("utf-8", "replace")


def test_a_run_that_ended_early_is_marked_and_one_without_commands_too() -> None:
    run = a_run([(good(), good())] * 2)
    run.incomplete, run.completed = "it was stopped", 2
    assert "Incomplete: ended after 2 of 2 cycles: it was stopped" in read(page_of(run)).text
    empty = a_run([])
    empty.incomplete = "locked: new fuse"
    reader = read(page_of(empty))
    assert "◌ Incomplete" in reader.text
    assert "svg" not in reader.tags


def test_waveforms_stand_in_the_page_with_what_they_showed() -> None:
    document = {
        "action": "power-on", "file": "on.csv", "channel": "CH1", "original": "the line", "messages": 3,
        "verdict": "different", "matches": False, "reasons": ["the bit time is +5.00 % off"], "notes": [],
        "bit_time_ratio": 1.05, "worst_edge_bits": 0.3,
    }  # fmt: skip
    picture = '<?xml version="1.0"?>\n<svg xmlns="http://www.w3.org/2000/svg"><title>t</title></svg>\n'
    report = make_report(a_run([(good(), good())]), {}, [(document, picture, False)])
    assert report.verdict.result == "fail"
    reader = read(report.page)
    assert "✗ differs" in reader.text
    assert "bit time +5.000 %" in reader.text
    assert "<?xml" not in report.page


@example(0.0, 5e-324, 3)
@example(1e-310, 0.0, 3)
@example(1e6, 1e-9, 10)
@example(-1e6, 1e-3, 2)
@given(st.floats(-1e6, 1e6), st.floats(0, 1e6), st.integers(2, 10))
def test_ticks_are_round_hold_the_values_and_are_not_many(low: float, span: float, most: int) -> None:
    ticks = round_ticks(low, low + span, most)
    # A millionth of a step is far less than a pixel.
    beside = 1e-6 * (ticks[1] - ticks[0])
    assert ticks[0] <= low + beside
    assert ticks[-1] >= low + span - beside
    assert 2 <= len(ticks) <= most + 3
    assert ticks[0] < ticks[-1]


def test_an_axis_says_its_ticks_as_short_as_they_can_be() -> None:
    axis = Axis([0.0, 0.25, 0.5], 0, 100)
    assert [axis.words(tick) for tick in axis.ticks] == ["0.00", "0.25", "0.50"]
    assert Axis([0.0, 20.0], 0, 1).words(20.0) == "20"
    assert axis.at(0.25) == 50


@pytest.mark.parametrize("values", [[5.0], [0.0, 0.0], [1.0, 2.0, 1e6], [-3.0, 3.0]])
def test_a_spread_draws_every_value_in_its_frame(values: list[float]) -> None:
    root = ET.fromstring(histogram("h", values, "ms"))
    bars = [each for each in root.iter("rect") if each.get("class") == "bar"]
    assert bars
    for bar in bars:
        x, width = float(bar.get("x", "0")), float(bar.get("width", "0"))
        assert 0 <= x <= x + width <= 720
