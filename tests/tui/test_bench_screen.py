"""The bench by its keys, on real captures and real controllers."""

from __future__ import annotations

import shutil
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Input, OptionList

from controller.recording import Recorder
from controller.records import Direction, Traffic
from controller.site import load_site
from profiles.checking import load_profile
from profiles.library import find, own_folder
from tests.tui.bench_lines import POWER_ON, STANDBY, damaged, write_logic, write_voltage
from tests.tui.dashboard_bench import Bench, bench
from tui.bench_desk import read_and_decode
from tui.bench_model import Reader
from tui.commands.bench import no_site
from tui.screens import bench_sight
from tui.screens.bench import BenchScreen
from tui.screens.bench_sheets import OpenSheet
from tui.screens.help import HelpScreen
from tui.screens.profile_adding import ProfileForm
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.sheets import AskSheet, ChoiceSheet
from tui.screens.units import UnitsScreen
from tui.widgets.line_settings import LineSettings
from tui.widgets.strip_view import StripView

EXAMPLES = Path(__file__).parents[1] / "data" / "captures"


def screen(b: Bench) -> BenchScreen:
    found = b.app.main_screen
    assert isinstance(found, BenchScreen)
    return found


def strip(b: Bench) -> str:
    return screen(b).query_one(StripView).words


def text(b: Bench, name: str) -> str:
    return str(screen(b).query_one(f"#{name}").render())


def reader(b: Bench) -> Reader:
    found = screen(b).desk.reader
    assert found is not None
    return found


async def rest(b: Bench) -> None:
    """Until nothing is decoded any more and all is painted."""
    await b.until(lambda: not screen(b).turns.busy, "the decoding")
    await b.pilot.pause()


@asynccontextmanager
async def at_the_bench(folder: Path, *captures: Path, **more: Any) -> AsyncIterator[Bench]:
    """The bench with captures on it, without a site where no other is given."""
    more.setdefault("loaded", no_site())
    state = folder / "state"
    state.mkdir(exist_ok=True)
    async with bench(state, **more) as b:
        await b.press("f7")
        await b.until(lambda: isinstance(b.app.screen, BenchScreen))
        for capture in captures:
            screen(b).open(capture)
        if captures:
            await b.press("1")
        await rest(b)
        yield b


@pytest.fixture(autouse=True)
def nobodys_profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.mark.slow
async def test_a_capture_is_opened_by_a_typed_path_with_completion(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "scope").mkdir()
    write_logic(tmp_path / "scope" / "power-on_1.csv", [POWER_ON] * 2)
    write_logic(tmp_path / "scope" / "standby_1.csv", [STANDBY] * 2)
    async with at_the_bench(tmp_path) as b:
        assert "o opens a capture" in text(b, "bench-answer")
        await b.press("o")
        await b.until(lambda: isinstance(b.app.screen, OpenSheet))
        await b.press(*"sc", "tab")
        assert b.app.screen.query_one("#path", Input).value == "scope/"
        await b.press("p", "tab", "enter")
        await rest(b)
        assert "[1 power-on_1]" in text(b, "bench-lines")
        assert "8 bytes in 2 bursts" in text(b, "bench-answer")
        assert "‹A5›01 01 02" in strip(b)


@pytest.mark.slow
async def test_a_capture_is_chosen_from_the_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(EXAMPLES)
    async with at_the_bench(tmp_path) as b:
        await b.press("o")
        await b.until(lambda: isinstance(b.app.screen, OpenSheet))
        names = [path.name for path in sorted(EXAMPLES.iterdir())]
        await b.press(*["down"] * names.index("standby_1.csv"), "enter")
        await rest(b)
        assert "standby_1 CH1" in text(b, "bench-lines")


@pytest.mark.slow
async def test_a_path_that_is_not_there_is_said_in_the_sheet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    async with at_the_bench(tmp_path) as b:
        await b.press("o", *"nowhere", "enter")
        assert "there is no file 'nowhere'" in b.text("#open-wrong")
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, BenchScreen))


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
async def test_the_picture_of_both_lines_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    original = write_logic(tmp_path / "original.csv", [POWER_ON] * 3)
    replay = write_logic(tmp_path / "replay.csv", [POWER_ON] * 3, inside=3.0)
    async with at_the_bench(tmp_path, original, replay) as b:
        await b.press("p")
        assert "lay another line over this one first" in text(b, "bench-measure")
        await b.press("v")
        await rest(b)
        await b.press("p", "enter")
        await rest(b)
        assert "both lines are drawn in original.svg" in text(b, "bench-measure")
        drawn = (tmp_path / "original.svg").read_text(encoding="utf-8")
        assert drawn.count("A5") == 3
        await b.press("p", "enter")
        assert "is there already" in b.text("#wrong")


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


async def test_bad_captures_say_what_is_wrong_on_the_screen(tmp_path: Path) -> None:
    noise, empty, gone = tmp_path / "noise.csv", tmp_path / "empty.csv", tmp_path / "gone.csv"
    noise.write_bytes(bytes(range(256)) * 20)
    empty.write_bytes(b"")
    async with at_the_bench(tmp_path, noise, empty, gone, tmp_path) as b:
        for key, words in (
            ("1", "it is no text"),
            ("2", "it is empty"),
            ("3", "can't be read"),
            ("4", "a folder"),
        ):
            await b.press(key)
            assert words in " ".join(text(b, "bench-told").split())
            assert text(b, "bench-answer").lstrip().startswith("✗")
        await b.press("w", "w", "w", "w")
        assert screen(b).desk.line is None
        assert "o opens a capture" in text(b, "bench-answer")


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
async def test_a_table_without_times_becomes_readable_by_its_settings(tmp_path: Path) -> None:
    whole = write_voltage(tmp_path / "whole.csv", {"CH1": ([POWER_ON] * 3, 0.0)}, samples=16)
    rows = whole.read_text().splitlines()
    path = tmp_path / "times-lost.csv"
    path.write_text("\n".join(row.split(",")[1] for row in rows) + "\n")
    async with at_the_bench(tmp_path, path) as b:
        assert "no column of times" in text(b, "bench-answer")
        await b.press("l", "shift+tab", *f"{1 / 4800 / 16:.6g}", "enter")
        await b.until(lambda: "12 bytes" in text(b, "bench-answer"))
        assert "4800" in text(b, "bench-answer")
        assert "✗" not in text(b, "bench-lines")


async def test_keys_are_answered_while_a_capture_is_decoded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on, begun = threading.Event(), threading.Event()
    slow = write_logic(tmp_path / "slow.csv", [STANDBY] * 2)

    def held(*arguments: Any) -> Any:
        if arguments[0].path == slow:
            begun.set()
            arguments[2].tell("finding the line, channel 1 of 2")
            go_on.wait(20)
        return read_and_decode(*arguments)

    monkeypatch.setattr(bench_sight, "read_and_decode", held)
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON] * 2)) as b:
        screen(b).open(slow)
        await b.until(begun.is_set)
        await b.until(lambda: "slow.csv: finding the line, channel 1 of 2" in text(b, "bench-answer"))
        await b.press("1", "right", "right")
        assert "01›01‹" not in strip(b)
        assert "A5 01‹01›02" in strip(b)
        await b.press("question_mark")
        await b.until(lambda: isinstance(b.app.screen, HelpScreen))
        await b.press("escape")
        go_on.set()
        await rest(b)
        await b.press("2")
        assert "A5 01 02 03" in strip(b).replace("‹", " ").replace("›", " ")


async def test_nothing_is_done_with_what_is_just_read_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON] * 2, between=30.0)) as b:

        def held(*arguments: Any) -> Any:
            go_on.wait(20)
            return read_and_decode(*arguments)

        monkeypatch.setattr(bench_sight, "read_and_decode", held)
        await b.press("j")
        for key in ("s", "a"):
            await b.press(key)
            assert "it is just being read anew" in text(b, "bench-measure")
        go_on.set()
        await rest(b)
        await b.press("a")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))


@pytest.mark.slow
async def test_leaving_does_not_wait_for_a_decoding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, ended = threading.Event(), threading.Event()

    def endless(_capture: Any, _options: Any, turn: Any) -> Any:
        begun.set()
        try:
            while True:
                turn.tell("reading, 1 % of 900 MB")
                ended.wait(0.01)
        finally:
            ended.set()

    monkeypatch.setattr(bench_sight, "read_and_decode", endless)
    async with at_the_bench(tmp_path) as b:
        screen(b).open(write_logic(tmp_path / "one.csv", [POWER_ON]))
        await b.until(begun.is_set)
        await b.press("ctrl+q")
    assert ended.wait(10)


@pytest.mark.slow
async def test_the_smallest_and_the_largest_screen(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, EXAMPLES / "power-on_1.csv", EXAMPLES / "replay.csv") as b:
        for size in ((20, 5), (200, 60), (20, 5), (40, 15), (80, 24)):
            await b.pilot.resize_terminal(*size)
            await b.press("right", "plus", "minus", "e", "e", "m", "c", "1")
            assert "‹" in strip(b)
            await b.press("l", "escape")
        await b.pilot.resize_terminal(200, 60)
        await b.pilot.pause()
        assert "over 20 edges" in text(b, "bench-told"), "there is room for the evidence beside the strip"
        await b.pilot.resize_terminal(20, 5)
        await b.pilot.pause()
        assert "‹" in strip(b), "where one reads stays in sight"


@pytest.mark.slow
async def test_names_from_files_do_no_harm(tmp_path: Path) -> None:
    rows = write_logic(tmp_path / "one.csv", [POWER_ON] * 2).read_text()
    path = tmp_path / "\x1b[31m[red]x\u202e.csv"
    path.write_text(rows.replace("CH1", "\x1b[2J[bold]CH[/bold]"))
    async with at_the_bench(tmp_path, path) as b:
        await b.press("e")
        await b.pilot.pause()
        everything = "".join(
            text(b, name) for name in ("bench-lines", "bench-answer", "bench-told", "bench-caption")
        )
        assert "\x1b" not in everything
        assert "\u202e" not in everything
        assert "[red]x" in everything


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


@pytest.mark.slow
async def test_escape_goes_back_step_by_step_to_the_units(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON])) as b:
        await b.press("m", "e", "escape")
        assert not screen(b).evidence_alone
        await b.press("escape")
        assert reader(b).mark is None
        await b.press("escape")
        assert isinstance(b.app.screen, UnitsScreen)
        await b.press("f7")
        assert "A5" in strip(b), "what lies on the bench stays there"


@pytest.mark.slow
async def test_a_burst_becomes_a_new_profile_that_proves_itself(tmp_path: Path) -> None:
    path = tmp_path / "power-on_1.csv"
    shutil.copy(EXAMPLES / "power-on_1.csv", path)
    async with at_the_bench(tmp_path, path) as b:
        await b.press("j")
        await rest(b)
        await b.press("a")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        await b.press("enter")
        await b.until(lambda: isinstance(b.app.screen, ProfileForm))
        await b.press(*["backspace"] * 12, *"hall", "enter", "enter", "enter")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
    target = own_folder() / "hall.toml"
    compiled = load_profile(target.read_text(encoding="utf-8"), str(target))
    assert compiled.actions["power-on"].send.build({}).data == POWER_ON
    (evidence,) = compiled.profile.evidence
    assert (own_folder() / evidence.capture).read_bytes() == path.read_bytes()
    from profiles.bench.evidence import evidence_problem

    assert evidence_problem(evidence, compiled.profile.line, own_folder()) is None


@pytest.mark.slow
async def test_a_burst_becomes_an_action_of_a_buss_profile_with_its_evidence(tmp_path: Path) -> None:
    path = write_logic(tmp_path / "mute.csv", [bytes.fromhex("A5 03 07 0A")] * 2)
    async with at_the_bench(tmp_path, path, loaded=None) as b:
        await b.press("a")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        listed = b.app.screen.query_one(OptionList)
        words = [str(listed.get_option_at_index(n).prompt) for n in range(listed.option_count)]
        await b.press(
            *["down"] * next(n for n, w in enumerate(words) if w.startswith("pellgate-chain")), "enter"
        )
        await b.until(lambda: isinstance(b.app.screen, ProfileForm))
        assert b.app.screen.query_one("#field-name", Input).value == "mute"
        await b.press("enter", "enter")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        assert b.app.draft is not None
        drafted = b.app.draft.text
    assert "[actions.mute]" in drafted
    assert 'bytes = "A5 03 07 0A"' in drafted
    assert 'capture = "captures/mute_1.csv"' in drafted
    assert (own_folder() / "captures" / "mute_1.csv").read_bytes() == path.read_bytes()


@pytest.mark.slow
async def test_a_burst_that_did_not_come_whole_is_neither_sent_nor_drafted(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, damaged(tmp_path / "bad.csv", POWER_ON * 4, 2)) as b:
        for key in ("a", "s"):
            await b.press(key)
            assert "did not come whole" in text(b, "bench-measure")
            assert isinstance(b.app.screen, BenchScreen)


SITE = """
[site]
id = "larkfield-hall"

[buses.sound]
port = "sim://pellgate-chain?units=2"
profile = "pellgate-chain"
topology = "ring"
units_expected = 2
allow_raw = {allowed}

[units.foyer-amp]
bus = "sound"
address = 1
"""


@pytest.mark.parametrize(
    ("allowed", "words"), [("true", "sound: bytes A5 01 01 02: confirmed"), ("false", "takes no raw bytes")]
)
async def test_a_burst_is_sent_through_the_gate(tmp_path: Path, allowed: str, words: str) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(allowed=allowed))
    path = write_logic(tmp_path / "one.csv", [POWER_ON] * 2)
    async with at_the_bench(tmp_path, path, loaded=load_site(tmp_path / "site.toml"), size=(160, 24)) as b:
        await b.press("s")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("n")
        await b.pilot.pause()
        assert len(b.app.traffic) == 0, "no is no"
        await b.press("s")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("y")
        await b.until(lambda: words in text(b, "bench-measure"))
        sent = [b.app.traffic[row].data for row in range(len(b.app.traffic))]
        assert any(bytes(data) == POWER_ON for data in sent) == (allowed == "true")


@pytest.mark.slow
async def test_without_a_site_there_is_nothing_to_send_on(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON])) as b:
        await b.press("s")
        assert "there is no bus to send on" in text(b, "bench-measure")
        await b.press("f2")
        assert "no bus here; F7 has the bench" in b.words


async def test_the_bench_explains_itself(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path) as b:
        await b.press("question_mark")
        await b.until(lambda: isinstance(b.app.screen, HelpScreen))
        for binding in BenchScreen.BINDINGS:
            key = getattr(binding, "key", "")
            key = {"slash": "/"}.get(key, key)
            if len(key) == 1 and key.isalpha() and key != "X":
                assert f"\n  {key} " in BenchScreen.EXPLANATION or f" {key} " in BenchScreen.EXPLANATION, key
