"""What the proof takes for right and for wrong, on lines that are drawn by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from controller.proving.judging import judge
from controller.proving.rig import Run
from controller.proving.stories import stories
from controller.proving.story import Story
from profiles.bench.edges import Edges
from profiles.firmware.manifest import Box
from profiles.firmware.request import AtStart
from profiles.frames import BitOrder
from tests.profiles.firmware.boxes import exported, profile_text

TICK = 1e-9


def edges(changes: Sequence[float], first: int, end: float) -> Edges:
    return Edges(np.round(np.array(changes) / TICK).astype(np.int64), first, TICK, end / TICK)


def drawn(
    box: Box,
    messages: Sequence[tuple[float, bytes]],
    end: float,
    *,
    bit: float | None = None,
    gap: float = 0.0,
) -> Edges:
    """A line that says these messages, each from its instant on."""
    bit = bit or box.bit_cycles / box.clock_hz
    changes: list[float] = []
    level = 1
    for at, data in messages:
        for byte in data:
            for cell, length in box.line.format.cells(byte, BitOrder(box.line.bit_order)):
                if cell != level:
                    changes.append(at)
                    level = cell
                at += length * bit
            at += gap
    return edges(changes, int(box.line.idle == "high"), end)


def lamp(rounds: int, blinks: int, start: float, end: float) -> Edges:
    """A lamp that blinks rounds of 0.2 s on and 0.2 s off, a second apart."""
    changes = []
    for number in range(rounds):
        at = start + number * (blinks * 0.4 + 0.8)
        for blink in range(blinks):
            changes += [at + blink * 0.4, at + blink * 0.4 + 0.2]
    return edges(changes, 0, end)


def plain_box(**changes: object) -> Box:
    return exported(profile_text(confirm='method = "none"'), **changes).box


def first(box: Box) -> Story:
    return stories(box)[0]


def run(story: Story, line: Edges, *, dark: Edges | None = None, resets: Sequence[str] = ("power",)) -> Run:
    return Run(line, dark or edges([], 0, story.now), tuple((cause, 0.0) for cause in resets), 0)


def right(box: Box, late: float = 0.0005) -> list[tuple[float, bytes]]:
    """What the first story has to be answered with."""
    return [(due.at + late, (box.on if due.on else box.off).data) for due in first(box).due]


def test_a_line_that_says_it_all_in_time_passes() -> None:
    box = plain_box(delay_on=0.3, delay_off=0.1)
    story = first(box)
    case = judge(story, run(story, drawn(box, right(box), story.now)))
    assert case.problems == []
    assert case.heard == ["A5 01 7F", "A5 00 00 FF"]
    assert case.figures["late_s"] == pytest.approx(0.0005, abs=1e-6)
    # 8 MHz / 9600 baud = 833.33 cycles, so 833 of them: 9603.84 baud, +0.04 %.
    assert case.figures["bit_error"] == pytest.approx(0.0004, abs=5e-6)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"late": 0.005}, "on begins"),
        ({"late": -0.003}, "on begins"),
        ({"bit": 833 / 8e6 * 1.002}, "a bit takes 104.333 us and has to take 104.125 us (+0.20%)"),
        ({"gap": 0.0012}, "before byte 1 the line rests for"),
    ],
)
def test_what_comes_at_a_wrong_time_does_not(change: dict[str, float], says: str) -> None:
    box = plain_box()
    story = first(box)
    messages = right(box, change.get("late", 0.0005))
    line = drawn(box, messages, story.now, bit=change.get("bit"), gap=change.get("gap", 0.0))
    assert any(says in problem for problem in judge(story, run(story, line)).problems)


def test_a_dead_time_that_is_cut_short_is_found() -> None:
    text = profile_text(line="baud = 9600\ndead_time_ms = 2.0", confirm='method = "none"')
    box = exported(text).box
    story = first(box)
    good = judge(story, run(story, drawn(box, right(box), story.now, gap=0.00205)))
    assert good.passed
    assert good.figures["gap_s"] == pytest.approx(0.00205, abs=1e-5)
    short = judge(story, run(story, drawn(box, right(box), story.now, gap=0.0019)))
    assert "least 2.000 ms" in short.problems[0]


def test_wrong_missing_and_additional_bytes_are_found() -> None:
    box = plain_box()
    story = first(box)
    (on_at, on), (off_at, off) = right(box)
    for messages, says in (
        ([(on_at, bytes([on[0] ^ 4]) + on[1:]), (off_at, off)], "on says A1 01 7F and has to say A5 01 7F"),
        ([(on_at, on)], "off says nothing and has to say A5 00 00 FF"),
        ([(on_at, on), (off_at, off), (off_at + 0.03, on)], "it says A5 01 7F besides"),
        ([(off_at, off)], "on says A5 00 00 and has to say A5 01 7F"),
    ):
        problems = judge(story, run(story, drawn(box, messages, story.now))).problems
        assert any(problem.startswith(says) for problem in problems), problems


def test_bytes_that_are_not_the_evidences_are_found() -> None:
    box = plain_box()
    seen = box.model_copy(update={"on": box.on.model_copy(update={"evidence": "A5 01 7E"})})
    story = first(seen)
    problems = judge(story, run(story, drawn(seen, right(seen), story.now))).problems
    assert problems == ["on says A5 01 7F, and the profile's evidence is A5 01 7E"]


def test_a_spike_on_the_line_is_no_frame_of_the_profiles() -> None:
    box = plain_box()
    story = first(box)
    line = drawn(box, right(box), story.now)
    spiked = replace(line, ticks=np.sort(np.append(line.ticks, [10_000_000, 10_002_000])))
    problems = judge(story, run(story, spiked)).problems
    assert problems == ["1 frames or edges on the line are no frames of the profile's"]


@pytest.mark.parametrize("blinks", [1, 2, 3, 5])
def test_the_lamps_number_is_read_from_a_whole_round(blinks: int) -> None:
    box = plain_box()
    story = first(box)
    story.blinks = blinks
    end = story.now + 0.1 + 3 * (blinks * 0.4 + 0.8)
    line = drawn(box, right(box), end)
    assert judge(story, run(story, line, dark=lamp(3, blinks, story.now, end))).passed
    other = judge(story, run(story, line, dark=lamp(3, blinks + 1, story.now, end + 1.2)))
    assert other.problems == [f"the lamp blinks {blinks + 1} times and has to blink {blinks} times"]
    dark = judge(story, run(story, line))
    assert dark.problems == [f"the lamp blinks 0 times and has to blink {blinks} times"]


def test_a_lamp_that_is_lit_while_the_box_speaks_does_not_blink() -> None:
    # 0.2 s of speaking: 20 bytes at 1000 baud.
    text = profile_text(line="baud = 1000", confirm='method = "none"', on=" ".join(["55"] * 20))
    box = exported(text).box
    story = first(box)
    story.wait(2.0)
    at = right(box)[0][0]
    lit = edges([at - 1e-4, at + 0.2], 0, story.now)
    assert judge(story, run(story, drawn(box, right(box), story.now), dark=lit)).passed


def test_a_reset_that_was_not_to_be_is_found() -> None:
    box = plain_box()
    story = first(box)
    line = drawn(box, right(box), story.now)
    problems = judge(story, run(story, line, resets=("power", "watchdog"))).problems
    assert problems == ["resets were power, watchdog and had to be power"]


def test_a_box_in_a_ring_is_put_through_every_fault_and_every_cause_of_a_reset() -> None:
    told = {story.name: story for story in stories(exported(delay_on=2.0, delay_off=2.0).box)}
    assert {"bounces", "short-pulses", "on-taken-back", "off-taken-back", "power-with-trigger"} <= told.keys()
    causes = {cause for story in told.values() for cause in story.resets}
    assert causes == {"power", "external", "brown-out", "watchdog", "hang"}
    assert {story.blinks for story in told.values()} == {0, 1, 2, 3, 4, 5}
    assert {story.ring.fault for story in told.values() if story.ring} == {"whole", "first", "wrong"}
    without = {story.name for story in stories(plain_box())}
    assert not {name for name in without if name.startswith(("ring", "echo", "line"))}


@pytest.mark.parametrize(
    ("at_start", "said"),
    [
        (AtStart.NOTHING, {"reset-power": [True, False], "power-with-trigger": [False, True]}),
        (AtStart.OFF, {"reset-power": [False, True, False, False], "power-with-trigger": [False, True]}),
        (
            AtStart.FOLLOW,
            {"reset-power": [False, True, True, False, False], "power-with-trigger": [True, False, True]},
        ),
    ],
)
def test_what_a_start_says_is_the_requests_choice(at_start: AtStart, said: dict[str, list[bool]]) -> None:
    told = {story.name: story for story in stories(plain_box(at_start=at_start))}
    for name, wanted in said.items():
        assert [due.on for due in told[name].due] == wanted, name
