"""The sequences' screen by its keys, on the simulated hall; and how sequences and triggers are painted."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import OptionList

from controller.records import Known, SequenceProgress, TriggerStatus
from controller.sequences_records import Phase, SequenceView, StepProgress, StepResult
from tests.tui.dashboard_bench import bench
from tui.automation_model import AutomationSight
from tui.automation_painting import going_line, sequence_line, step_lines, trigger_lines
from tui.demo.evening import load_hall
from tui.looks import Looks
from tui.screens.sequences import SequencesScreen
from tui.screens.sheets import AskSheet

LOOKS = Looks(dark=True)


@pytest.mark.slow
async def test_a_sequence_is_started_followed_and_stopped_by_keys(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("f8")
        await b.until(lambda: "mixer power-on" in b.text("#step-lines"))
        assert isinstance(b.app.screen, SequencesScreen)
        assert "Switch by the stage door" in b.text("#trigger-lines")
        assert "CTS of bus lights goes on: evening up" in b.text("#trigger-lines")
        await b.press("o")
        await b.until(lambda: "✓ mixer power-on" in b.text("#step-lines"), "the first step")
        # The units screen says that it is on its way.
        await b.press("f2")
        await b.until(lambda: "▸ Evening up: " in b.text("#going"))
        await b.until(lambda: b.state("hall-amp", "power") == (True, Known.CONFIRMED))
        await b.until(lambda: not b.app.screen.query_one("#going").display)
        await b.press("f8")
        await b.until(
            lambda: "up done" in str(b.app.screen.query_one(OptionList).get_option_at_index(0).prompt)
        )
        await b.press("f")
        await b.until(lambda: b.state("hall-amp", "power") == (False, Known.CONFIRMED))
        await b.press("c")
        await b.until(lambda: "cancelled by screen Ada" in b.text("#step-lines"))
        assert b.state("mixer", "power") == (True, Known.CONFIRMED)


@pytest.mark.slow
async def test_a_control_line_brings_the_hall_up_and_it_is_shown(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("f8")
        await b.until(lambda: "○ Switch by the stage door" in b.text("#trigger-lines"))
        await b.controller.simulate("lights", "line cts on")
        await b.until(lambda: "● Switch by the stage door" in b.text("#trigger-lines"))
        await b.until(lambda: "evening up, unless it changes before" in b.text("#trigger-lines"))
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.until(lambda: "up, begun by trigger wall-switch" in b.text("#step-lines"))
        assert b.state("mixer", "power") == (True, Known.CONFIRMED)


@pytest.mark.slow
async def test_what_asks_first_is_asked_and_what_is_refused_is_told(tmp_path: Path) -> None:
    loaded = load_hall()
    units = dict(loaded.site.units)
    units["mixer"] = units["mixer"].model_copy(update={"ask_before_energise": True})
    loaded.site = loaded.site.model_copy(update={"units": units})
    async with bench(tmp_path, loaded=loaded) as b:
        await b.press("f8")
        await b.until(lambda: "asks first: mixer" in b.text("#step-lines"))
        await b.press("o")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("n")
        assert b.state("mixer", "power") == (None, Known.UNKNOWN)
        await b.press("o", "y")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.press("c")


STEPS = (
    StepProgress("mixer power-on", StepResult.DONE),
    StepProgress("wait 2 s", StepResult.RUNNING),
    StepProgress("hall-amp power-on"),
)


def progress(
    phase: Phase = Phase.RUNNING, text: str = "", steps: tuple[StepProgress, ...] = STEPS
) -> SequenceProgress:
    return SequenceProgress("evening", "up", phase, steps, "screen Ada", 0.0, 0.0, text, "1")


def view(last: SequenceProgress | None = None) -> SequenceView:
    return SequenceView(
        "evening", "Evening", ("mixer power-on",), ("mixer standby",), "stop", "go-on", ("sound",), last=last
    )


def test_a_sequence_in_a_line_and_step_by_step() -> None:
    assert sequence_line(view(), 78, LOOKS).plain == " Evening                  works on sound"
    line = sequence_line(view(progress()), 78, LOOKS).plain
    assert line == " Evening                  up running  2 of 3: wait 2 s"
    assert [text.plain for text in step_lines(view(progress()), 78, LOOKS)] == [
        " up, begun by screen Ada",
        "  ✓ mixer power-on",
        "  ▸ wait 2 s",
        "    hall-amp power-on",
    ]
    failed = progress(
        Phase.FAILED, "no-echo", (StepProgress("mixer power-on", StepResult.FAILED, "no-echo"),)
    )
    assert [text.plain for text in step_lines(view(failed), 78, LOOKS)][1:] == [
        "  ✗ mixer power-on  no-echo",
        " failed: no-echo",
    ]
    both = [text.plain for text in step_lines(view(), 78, LOOKS)]
    assert both == [" up", "    mixer power-on", " down", "    mixer standby"]


def test_what_is_on_its_way_in_a_line_of_any_width() -> None:
    sight = AutomationSight()
    sight.sequences = {"evening": view()}
    assert going_line(sight.going, 80, LOOKS).plain == ""
    sight.take(progress())
    assert going_line(sight.going, 80, LOOKS).plain == " ▸ Evening up: 2 of 3: wait 2 s   F8 shows it"
    # A refusal of another start does not hide what is on its way.
    sight.take(progress(Phase.REFUSED, "it is on its way"))
    assert len(sight.going) == 1
    sight.take(progress(Phase.DONE))
    assert sight.going == []
    sight.take(progress())
    for width in range(20, 90):
        assert going_line(sight.going, width, LOOKS).cell_len <= width
        assert all(line.cell_len <= width for line in step_lines(view(progress()), width, LOOKS))


def test_triggers_say_what_they_wait_for_and_what_they_did() -> None:
    status = TriggerStatus(
        "door",
        "Door",
        "line",
        "CTS of bus sound goes on",
        "evening up",
        True,
        "",
        None,
        "evening up: done",
        0.0,
    )
    lines = [line.plain for line in trigger_lines([status], 80, LOOKS)]
    assert lines[0].startswith(" ● Door")
    assert lines[1].endswith("evening up: done")
    pending = TriggerStatus("door", "Door", "line", "x", "evening up", True, "evening up", 3.0)
    assert trigger_lines([pending], 80, LOOKS)[1].plain.endswith("evening up, unless it changes before")
