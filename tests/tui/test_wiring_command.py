"""``linewarden wiring`` as a person calls it."""

from __future__ import annotations

import re
import shlex
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from tests.tui.conftest import Desk
from tests.tui.in_process import verify_told_wrong
from tui.arguments import build_parser
from tui.commands.wiring import run

PAGE = Path(__file__).resolve().parents[2] / "docs" / "wiring.md"


def test_a_trigger_of_5_to_12_volts_with_its_drawing(desk: Desk) -> None:
    said = desk.run("wiring", "--trigger", "5..12", "--picture", "trigger.svg")
    assert (said.code, said.err) == (0, "")
    assert "R1  1.3 kΩ, 5 %, 0.25 W" in said.out
    assert "No mains" in said.out
    assert said.out.splitlines()[-2:] == ["", "picture: trigger.svg"]
    ET.parse(desk.folder / "trigger.svg")


def worked(*words: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """The command in this process: its exit code and what it printed."""
    code = run(build_parser().parse_args(["wiring", *words]))
    return code, capsys.readouterr().out


def test_the_profile_gives_baud_and_idle(capsys: pytest.CaptureFixture[str]) -> None:
    code, out = worked("--pull-up", "usb", "--profile", "pellgate-chain", capsys=capsys)
    assert code == 0
    assert "4800 baud, idle high (profile pellgate-chain)" in out
    code, out = worked("--pull-up", "usb", "--baud", "4800", "--idle", "low", capsys=capsys)
    assert "0: the line rests high" not in out
    assert code == 0


def test_a_choice_that_leaves_a_limit_and_none_that_works_end_with_1(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out = worked("--trigger", "5..24", "--resistor", "470", capsys=capsys)
    assert code == 1
    assert "WARNING: LED current at 24 V" in out
    code, out = worked("--trigger", "2..48", capsys=capsys)
    assert code == 1
    assert "NO VALUE WORKS" in out
    code, out = worked("--line", "5", "--divider", "33k/33k", "--tolerance", "1", capsys=capsys)
    assert (code, "WARNING" in out) == (0, False)
    code, out = worked("--line", "5", "--divider", "10k/33k", capsys=capsys)
    assert (code, "WARNING" in out) == (1, True)


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["--trigger", "12..230"], "mains"),
        (["--trigger", "24..5"], "goes down"),
        (["--series", "E7"], "E series"),
        (["--profile", "pellgate-chain"], "--line or --pull-up"),
        (["--line", "5", "--divider", "33k"], "R3/R4"),
        (["--pull-up", "5", "--profile", "no-such-profile"], "no-such-profile"),
        (["--picture", "trigger.png"], ".svg"),
        (["--pull-up", "5", "--baud", "-3"], "baud"),
        (["--tolerance", "70"], "tolerance"),
    ],
)
def test_wrong_input_is_one_line_and_draws_nothing(
    words: list[str],
    part: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert part in verify_told_wrong(["wiring", *words], capsys)
    assert list(tmp_path.iterdir()) == []


def test_every_command_of_the_page_works_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    lines = re.findall(r"^linewarden wiring (.+)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(lines) >= 5
    for line in lines:
        code, out = worked(*shlex.split(line), capsys=capsys)
        assert code == 0, line
        assert "Before anything is joined" in out
    # The picture on the page is the one that its command draws.
    drawn = (tmp_path / "trigger.svg").read_text(encoding="utf-8")
    assert drawn == (PAGE.parent / "pictures" / "trigger.svg").read_text(encoding="utf-8")
