"""``linewarden firmware`` on the command line."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.tui.conftest import Desk, Said
from tui.cli import main

HALL = ("firmware", "pellgate-chain", "--address", "1", "--on", "power-on", "--off", "standby", "-o", "box")


@pytest.mark.peer("avr-gcc", "simavr", "cc")
def test_a_box_is_written_and_proven_and_its_cost_is_told(desk: Desk) -> None:
    said = desk.run(*HALL, "--prove")
    assert (said.code, said.err) == (0, "")
    for words in (
        "power-on  A5 01 01 02",
        "bit: 1667 cycles",
        "4799.04 baud, -0.020 % off",
        "of 32768 bytes of flash, 8 of them tables",
        "CKDIV8",
        "ok   the trigger comes and goes: A5 01 01 02, A5 01 02 03",
        "on was compared with the profile's evidence",
    ):
        assert words in said.out
    assert said.out.endswith("\nproven\n")
    assert (desk.folder / "box" / "box.hex").is_file()


Call = Callable[..., Said]


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """A call in this process, which is quicker than one of its own; ``box`` is made in an empty folder."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))

    def made(*words: str) -> Said:
        try:
            code = main(words)
        except SystemExit as end:
            code = int(end.code or 0)
        told = capsys.readouterr()
        return Said(code, told.out, told.err)

    return made


@pytest.mark.peer("avr-gcc")
def test_a_program_gets_one_document_and_nothing_else(call: Call) -> None:
    said = call(*HALL, "--json", "--no-echo", "--clock", "16MHz")
    assert (said.code, said.err) == (0, "")
    document = json.loads(said.out)
    assert document["proof"] is None
    assert 500 < document["size"]["flash_bytes"] < 2048
    assert document["fuses"] == {"low": 0xFF, "high": 0xD9, "extended": 0xFC}
    assert document["box"]["clock_hz"] == 16_000_000
    assert "nobody knows what arrived" in document["warnings"][0]


def test_where_avr_gcc_is_not_there_the_source_is_and_how_to_build_it_is_said(
    call: Call, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    said = call(*HALL)
    assert (said.code, said.err) == (0, "")
    assert "not built: avr-gcc is not installed" in said.out
    assert (
        "install gcc-avr, binutils-avr and avr-libc (Debian, Ubuntu), then `make` in its folder" in said.out
    )
    assert Path("box/Makefile").is_file()
    proving = call(*HALL, "--replace", "--prove", "--json")
    assert proving.code == 1
    document = json.loads(proving.out)
    assert document["proof"] is None
    assert document["missing"].startswith("avr-gcc is not installed")


def test_what_is_wrong_with_a_call_is_one_line_and_leaves_nothing_behind(call: Call) -> None:
    start = ["firmware", "pellgate-chain", "--off", "standby", "-o", "box"]
    for words, says in (
        (["--on", "power-on"], "goes to an address, and none is given; give --address 1 to 15, or all"),
        (["--on", "set-volume", "--address", "1"], "set-volume needs level; give it as level=0"),
        (["--on", "set-volume", "level=loud", "--address", "1"], "level must be a whole number, not 'loud'"),
        (["--on", "set-volume", "20", "--address", "1"], "'20' is no parameter; write name=value"),
        (["--on", "set-volume", "level=1", "level=2", "--address", "1"], "level is given twice"),
        (["--on", "power-on", "volume=1", "--address", "1"], "power-on has no parameter 'volume'"),
        (["--on", "power-on", "--address", "one"], "'one' is no address; write a number, or all"),
        (
            ["--on", "power-on", "--address", "1", "--clock", "fast"],
            "'fast' is no clock; write hertz, or 8MHz",
        ),
        (["--on", "power-on", "--address", "1", "--delay-on", "soon"], "'soon' is no time; write seconds"),
        (["--on", "power-on", "--address", "1", "--delay-on", "1h"], "'1h' is no time"),
        (["--on", "power-on", "--address", "1", "--clock", "32kHz"], "can't run at 32000 Hz"),
    ):
        said = call(*start, *words)
        assert (said.code, said.out) == (2, ""), words
        assert says in said.err, said.err
        assert said.err.count("\n") == 1
        assert not Path("box").exists()


def test_answers_and_folders_that_are_there_are_refused(call: Call) -> None:
    Path("box").mkdir()
    Path("box/letter").write_text("mine")
    there = call(*HALL)
    assert there.code == 2
    assert there.err.startswith(
        "linewarden: box: is a folder with other things in it; name one that is not there"
    )
    answers = call(
        *(
            "firmware",
            "modbus-relay",
            "--address",
            "1",
            "--on",
            "coil-on",
            "coil=1",
            "--off",
            "relays-off",
            "-o",
            "other",
        )
    )
    assert answers.code == 2
    assert "the box can't judge one" in answers.err
    assert [path.name for path in Path().iterdir()] == ["box"]


@pytest.mark.slow
@pytest.mark.peer("avr-gcc", "simavr", "cc")
def test_a_box_that_can_not_be_proven_is_no_success(desk: Desk, tmp_path: Path) -> None:
    # A make that makes something else: the box that was built is not the one that was written.
    tools = tmp_path / "tools"
    tools.mkdir()
    real = shutil.which("make")
    spoil = 'sed -i "s/0x02,/0x7F,/" "$3/tables.c"'
    (tools / "make").write_text(f'#!/bin/sh\n{spoil}\nexec {real} "$@"\n')
    (tools / "make").chmod(0o755)
    desk.environment["PATH"] = f"{tools}:{desk.environment['PATH']}"
    said = desk.run(*HALL, "--prove")
    assert said.code == 1
    assert "on says A5 01 01 7F and has to say A5 01 01 02" in said.out
    assert said.out.endswith("NOT proven: the box does not do what it has to\n")
    again = desk.run(*HALL, "--prove", "--json", "--replace")
    assert again.code == 1
    proof = again.document["proof"]
    assert not proof["passed"]
    assert proof["flash_bytes"] == again.document["size"]["flash_bytes"]
    assert [case["name"] for case in proof["cases"]][:2] == ["on-off", "bounces"]
