"""Wrong input: one clear line on standard error, the exit code of the design, nothing half done."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.tui.conftest import Desk, Said

SITE = """
[site]
id = "larkfield-hall"

[buses.hall]
port = "sim://pellgate-chain?units=2"
profile = "pellgate-chain"
topology = "ring"
units_expected = 2

[units.foyer-amp]
bus = "hall"
address = 1
"""

PROFILE = """
schema = 1
name = "my-amp"

[line]
baud = 9600

[confirm]
method = "loop"

[actions.power-on]
effect = "energise"
send = [{ hex = "C0 01" }]
"""


def check_one_line(said: Said, code: int, *parts: str) -> None:
    assert said.code == code, said
    assert said.out == ""
    assert len(said.err.splitlines()) == 1, said.err
    for part in parts:
        assert part in said.err


@pytest.fixture
def site(desk: Desk) -> Path:
    return desk.write("site.toml", SITE)


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (["foyer-amp", "power-onn"], ["power-onn", "power-on"]),
        (["foyer-am", "power-on"], ["foyer-am", "foyer-amp"]),
        (["foyer-amp", "set-volume"], ["level"]),
        (["foyer-amp", "set-volume", "level=64"], ["level", "0 to 63", "64"]),
        (["foyer-amp", "set-volume", "level=loud"], ["level", "whole number", "loud"]),
        (["foyer-amp", "set-volume", "level=1.5"], ["level", "whole number"]),
        (["foyer-amp", "set-volume", "level"], ["name=value"]),
        (["foyer-amp", "set-volume", "level=1", "level=2"], ["twice"]),
        (["foyer-amp", "set-volume", "level=1", "depth=2"], ["depth"]),
        (["foyer-amp", "power-on", "--within", "-1"], ["--within"]),
        (["foyer-amp", "power-on", "--within", "nan"], ["--within"]),
    ],
)
@pytest.mark.usefixtures("site")
def test_a_wrong_action_or_parameter(desk: Desk, words: list[str], parts: list[str]) -> None:
    check_one_line(desk.run("act", *words), 2, *parts)


def test_no_site_file(desk: Desk) -> None:
    check_one_line(desk.run("act", "foyer-amp", "power-on"), 2, "site.toml", "--site")
    check_one_line(desk.run("act", "foyer-amp", "power-on", "--site", "none.toml"), 2, "none.toml")


def test_a_port_that_does_not_exist(desk: Desk) -> None:
    desk.write("site.toml", SITE.replace("sim://pellgate-chain?units=2", "/dev/no-such-port"))
    check_one_line(desk.run("act", "foyer-amp", "power-on"), 1, "link-lost", "/dev/no-such-port")
    check_one_line(desk.run("adapter", "/dev/no-such-port"), 2, "/dev/no-such-port")


def test_a_profile_that_is_not_there(desk: Desk) -> None:
    desk.write("site.toml", SITE.replace('profile = "pellgate-chain"', 'profile = "pelgate-chain"'))
    check_one_line(
        desk.run("act", "foyer-amp", "power-on"), 2, "pelgate-chain", "pellgate-chain", "buses.hall"
    )


def test_duplicate_addresses(desk: Desk) -> None:
    desk.write("site.toml", SITE + '\n[units.stage-amp]\nbus = "hall"\naddress = 1\n')
    check_one_line(desk.run("act", "foyer-amp", "power-on"), 2, "stage-amp", "address")


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("baud = 9600", "baud = 0", ["line.baud", "my-amp.toml:6"]),
        ("baud = 9600", "baud = nan", ["line.baud"]),
        ("baud = 9600", "baud = 1e9", ["line.baud"]),
        ("baud = 9600", "baud = 9600\nparitty = 1", ["paritty"]),
        ("baud = 9600", 'baud = 9600\nfram = "8N1"', ["fram", "frame"]),
        ("schema = 1", "schema = 2", ["schema", "1"]),
        ('hex = "C0 01"', 'hex = "C0 0"', ["hex"]),
        ('{ hex = "C0 01" }', '{ hex = "C0" }, { check = "sum-8", from = 0, to = 1 }', ["covers itself"]),
        ('{ hex = "C0 01" }', '{ check = "CRC-16/MODBUSS", from = 0 }', ["CRC-16/MODBUS"]),
        ("[confirm]", "[confirm", ["my-amp.toml:8"]),
    ],
)
def test_a_profile_with_a_fault(desk: Desk, old: str, new: str, parts: list[str]) -> None:
    desk.write("my-amp.toml", PROFILE.replace(old, new))
    said = desk.run("check", "my-amp.toml")
    assert said.code in (1, 2)
    told = said.out + said.err
    for part in parts:
        assert part in told, told


def test_every_fault_at_once(desk: Desk) -> None:
    text = PROFILE.replace("baud = 9600", "baud = -1").replace('"C0 01"', '"C"').replace('"loop"', '"lop"')
    said = desk.run("check", str(desk.write("my-amp.toml", text)))
    assert said.code == 1
    assert len(said.out.splitlines()) >= 3


@pytest.mark.slow
def test_files_that_are_no_files(desk: Desk) -> None:
    desk.write("latin.toml", b'schema = 1\nname = "caf\xe9"\n')
    desk.write("half.toml", PROFILE[: len(PROFILE) // 2])
    (desk.folder / "folder.toml").mkdir()
    large = desk.folder / "large.toml"
    with large.open("wb") as file:
        file.truncate(100_000_000)
    for name, part in (
        ("latin.toml", "UTF-8"),
        ("folder.toml", "folder"),
        ("large.toml", "large"),
        ("none.toml", "none.toml"),
    ):
        said = desk.run("check", name)
        assert said.code == 2, said
        assert part in said.err
    assert desk.run("check", "half.toml").code in (1, 2)
    desk.write("good.toml", PROFILE)
    mixed = desk.run("check", "good.toml", "latin.toml")
    assert mixed.code == 2


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ('frame = "9N1"', "9 data bits"),
        ('frame = "8N1.5"', "1.5 stop bits"),
        ('idle = "low"', "idles low"),
    ],
)
@pytest.mark.slow
def test_a_line_that_the_port_cannot_do(desk: Desk, line: str, part: str) -> None:
    master, slave = os.openpty()
    try:
        desk.write("my-amp.toml", PROFILE.replace("baud = 9600", f"baud = 9600\n{line}"))
        site = SITE.replace("sim://pellgate-chain?units=2", os.ttyname(slave))
        site = site.replace('"pellgate-chain"', '"./my-amp.toml"').replace("address = 1", "")
        desk.write("site.toml", site)
        check_one_line(desk.run("act", "foyer-amp", "power-on"), 1, part)
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.slow
def test_a_port_that_another_process_holds(desk: Desk) -> None:
    desk.chain(units=1)
    controller = desk.start("run")
    controller.until("running")
    said = desk.run("act", "unit-1", "power-on", "--state", "elsewhere")
    check_one_line(said, 1, "link-lost", "held")


def test_a_call_that_is_no_call(desk: Desk) -> None:
    assert desk.run().code == 2
    assert desk.run("acct").code == 2
    # Of an action only unit and name are needed.
    check_one_line(desk.run("act"), 2, "required: UNIT, ACTION;")
    assert desk.run("sim").code == 2
    assert desk.run("sim", "--profile", "no-such").code == 2
    assert desk.run("sim", "--profile", "pellgate-chain", "--units", "0").code == 2
    assert desk.run("sim", "--profile", "pellgate-chain", "--fault", "cutt 2").code == 2
    assert desk.run("profiles", "show", "no-such").code == 2
    assert desk.run("journal", "--limit", "0").code in (0, 2)
