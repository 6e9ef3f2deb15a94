"""Captures on the bench's screen: opened, refused, decoded meanwhile, put away."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Input

from tests.tui.at_bench.bench_walk import EXAMPLES, at_the_bench, reader, rest, screen, strip, text
from tests.tui.bench_lines import POWER_ON, STANDBY, write_logic, write_voltage
from tui.bench_desk import read_and_decode
from tui.screens import bench_sight
from tui.screens.bench import BenchScreen
from tui.screens.bench_sheets import OpenSheet
from tui.screens.help import HelpScreen
from tui.screens.units import UnitsScreen


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


async def test_the_bench_explains_itself(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path) as b:
        await b.press("question_mark")
        await b.until(lambda: isinstance(b.app.screen, HelpScreen))
        for binding in BenchScreen.BINDINGS:
            key = getattr(binding, "key", "")
            key = {"slash": "/"}.get(key, key)
            if len(key) == 1 and key.isalpha() and key != "X":
                assert f"\n  {key} " in BenchScreen.EXPLANATION or f" {key} " in BenchScreen.EXPLANATION, key
