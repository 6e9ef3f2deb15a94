"""Captures read on the bench's screen: settings, places, two lines laid over each other."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import OptionList

from controller.recording import Recorder
from controller.records import Direction, Traffic
from profiles.checking import load_profile
from profiles.library import find
from tests.tui.at_bench.bench_walk import EXAMPLES, at_the_bench, reader, rest, screen, strip, text
from tests.tui.bench_lines import POWER_ON, STANDBY, write_logic
from tui.screens.sheets import ChoiceSheet
from tui.widgets.line_settings import LineSettings
from tui.widgets.strip_view import StripView


@pytest.mark.slow
async def test_the_example_captures_are_read_measured_and_joined(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, EXAMPLES / "power-on_1.csv") as b:
        assert "● 4800 8N1, idle high" in text(b, "bench-answer")
        assert "4 bytes in 4 bursts" in text(b, "bench-answer")
        await b.press("j")
        await rest(b)
        # Each frame waited for its echo: one message all the same.
        assert "‹A5›01┈01┈02" in strip(b)
        await b.press("m", "right", "right")
        # docs/make_captures.py: three frame times and some latency from frame to frame.
        assert "byte 1 (A5) → byte 3 (01)" in text(b, "bench-measure")
        assert "bit times" in text(b, "bench-measure")
        await b.press("escape", "plus", "plus")
        assert "↘ falls" in text(b, "bench-caption")
        await b.press("full_stop")
        assert "↗ rises" in text(b, "bench-caption")
        await b.press("e")
        await b.pilot.pause()
        shown = text(b, "bench-told")
        assert "over 20 edges of 4 frames" in " ".join(shown.split())
        assert "CH2 repeats CH1" in " ".join(shown.split())


async def test_settings_are_gone_by_as_soon_as_they_are_typed(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON] * 3)) as b:
        await b.press("l")
        await b.until(lambda: screen(b).query_one(LineSettings).is_open)
        await b.press(*"48oo")
        await b.until(lambda: "no number" in text(b, "setting-wrong"))
        assert "12 bytes" in text(b, "bench-answer"), "what was read stays"
        await b.press("backspace", "backspace", *"00", "tab", *"7E1")
        await b.until(lambda: "7E1" in text(b, "bench-answer"))
        await rest(b)
        assert screen(b).desk.captures[0].options.baud == 4800
        await b.press("backspace", "backspace", "backspace")
        await b.until(lambda: "8N1" in text(b, "bench-answer"))
        await b.press("escape")
        assert not screen(b).query_one(LineSettings).is_open
        await b.press("right")
        assert reader(b).place == 1, "the keys are the strip's again"


@pytest.mark.slow
async def test_a_line_is_read_as_something_else_that_fits(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, EXAMPLES / "power-on_1.csv") as b:
        await b.press("r")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        listed = b.app.screen.query_one(OptionList)
        wanted = next(
            n for n in range(listed.option_count) if " 9N1" in str(listed.get_option_at_index(n).prompt)
        )
        await b.press(*["down"] * wanted, "enter")
        await rest(b)
        assert "9N1" in text(b, "bench-answer")
        await b.press("r", "enter")
        await rest(b)
        assert "8N1" in text(b, "bench-answer")


async def test_two_captures_are_laid_over_each_other(tmp_path: Path) -> None:
    original = write_logic(tmp_path / "original.csv", [POWER_ON, POWER_ON])
    replay = write_logic(tmp_path / "replay.csv", [POWER_ON, bytes.fromhex("A5 01 07 09")], inside=2.0)
    async with at_the_bench(tmp_path, original, replay) as b:
        await b.press("v")
        await rest(b)
        assert "2 laid over" not in text(b, "bench-answer")
        assert "replay laid over" in text(b, "bench-lines")
        assert "≠ byte 7: 01 02 in the original, 07 09 in the replay" in text(b, "bench-answer")
        await b.press("n")
        # The same byte by the same number: the third of the second burst of four.
        assert "≠ 07 in the replay" in text(b, "bench-caption")
        assert reader(b).place == 7 - 1
        shown = strip(b).splitlines()
        assert "‹01≠" in shown[2]
        assert "‹07≠" in shown[3]
        await b.press("v")
        assert screen(b).desk.laid is None
        assert "07" not in strip(b)


@pytest.mark.slow
async def test_bytes_are_found(tmp_path: Path) -> None:
    path = write_logic(tmp_path / "one.csv", [POWER_ON, STANDBY, POWER_ON])
    async with at_the_bench(tmp_path, path) as b:
        await b.press("slash", *"0203", "enter")
        assert reader(b).place == 6
        await b.press("slash", *"a501", "enter")
        assert reader(b).place == 8
        await b.press("slash", *"a501", "enter")
        assert reader(b).place == 0, "round the end"
        await b.press("slash", *"ff", "enter")
        assert reader(b).place == 0
        assert any("FF is not said" in words for words in b.told)


@pytest.mark.slow
async def test_a_replay_that_differs_in_dead_time_alone_is_no_mismatch(tmp_path: Path) -> None:
    original = write_logic(tmp_path / "original.csv", [POWER_ON] * 3)
    replay = write_logic(tmp_path / "replay.csv", [POWER_ON] * 3, inside=3.0)
    async with at_the_bench(tmp_path, original, replay) as b:
        await b.press("v")
        await rest(b)
        assert "the same but for dead time: no mismatch" in text(b, "bench-answer")
        await b.press("right")
        assert "idle before it 0.0 ≠ 3.0 bits" in text(b, "bench-caption")
        await b.press("e")
        await b.pilot.pause()
        assert "0.00 ≠ 3.00 bit times" in text(b, "bench-told")


def levels(path: Path, lows: range) -> Path:
    """A level in eighty rows, a tenth of a second apart, low in some of them."""
    rows = [f"{n / 10:.1f},{int(n not in lows)}" for n in range(80)]
    path.write_text("\n".join(["Time [s],CH1", *rows]) + "\n")
    return path


async def test_a_line_that_is_no_serial_line_says_why_and_shows_its_edges(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, levels(tmp_path / "step.csv", range(40, 80))) as b:
        assert "✗ the line changes once and that is all" in text(b, "bench-answer")
        assert "not told" in text(b, "bench-told")
        assert "edge 1 of 1" in text(b, "bench-caption")
        await b.press("right", "left", "m", "plus", "minus")
        assert "↘ falls" in text(b, "bench-caption")


@pytest.mark.slow
async def test_a_guess_is_shown_as_one(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, levels(tmp_path / "pulse.csv", range(40, 42))) as b:
        assert "? can't be told from so little; shown as a guess" in text(b, "bench-answer")
        assert "FF" in strip(b)
        await b.press("r")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        words = str(b.app.screen.query_one(OptionList).get_option_at_index(1).prompt)
        assert "the nearest guess" in words
        await b.press("down", "enter")
        await rest(b)
        assert "5 8N1" in text(b, "bench-answer")
        assert "guess" not in text(b, "bench-answer"), "it is what a person has said now"


@pytest.mark.slow
async def test_a_recording_says_that_its_wave_is_drawn_from_bits(tmp_path: Path) -> None:
    profile = load_profile(find("pellgate-chain").text(), "pellgate-chain").profile
    path = tmp_path / "heard.jsonl"
    with Recorder(path, "sound", profile) as recorder:
        recorder.add(Traffic("sound", 100.0, Direction.SENT, POWER_ON))
    async with at_the_bench(tmp_path, path) as b:
        assert "‹A5›01 01 02" in strip(b)
        assert "drawn from its bits" in text(b, "bench-caption")
        await b.press("comma")
        assert any("no edges" in words for words in b.told)


@pytest.mark.slow
async def test_letters_can_be_put_under_the_bytes(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [b"VOL 31\r"] * 2)) as b:
        assert "V  O  L" in strip(b), "text shows as such by itself"
        await b.press("t")
        assert "V  O  L" not in strip(b)


@pytest.mark.slow
async def test_a_byte_is_picked_with_the_mouse(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON, STANDBY])) as b:
        await b.pilot.click(StripView, offset=(10 + 3 * 2 + 1, 1))
        assert reader(b).place == 6


async def test_in_a_long_capture_the_keys_read_and_do_not_only_scroll(tmp_path: Path) -> None:
    path = write_logic(tmp_path / "long.csv", [POWER_ON] * 300)
    async with at_the_bench(tmp_path, path) as b:
        await b.press("down", "down")
        assert reader(b).place == 8
        await b.press("pagedown")
        assert reader(b).place > 20
        assert "‹" in strip(b)
        await b.press("end")
        assert reader(b).place == 1199
        assert "‹02›" in strip(b)
        await b.press("up", "home")
        assert reader(b).place == 0
        assert "‹A5›" in strip(b)
