"""The bench on the command line: decode, transcribe, compare, learn."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from tests.profiles.bench.captures import write_logic, write_voltage
from tests.tui.conftest import Desk

POWER_ON = bytes.fromhex("A5 01 01 02")
STANDBY = bytes.fromhex("A5 01 02 03")


def _bytes(document: dict[str, object], channel: int = 0) -> list[bytes]:
    channels = document["channels"]
    assert isinstance(channels, list)
    return [bytes(each["value"] for each in burst["bytes"]) for burst in channels[channel]["bursts"]]


def test_decode_tells_a_program_and_a_person_the_same(desk: Desk) -> None:
    write_logic(desk.folder / "power.csv", [POWER_ON * 3, STANDBY * 3])
    said = desk.run("decode", "power.csv", "--json")
    assert (said.code, said.err) == (0, "")
    channel = said.document["channels"][0]
    assert (channel["frame"], channel["baud"], channel["idle"]) == ("8N1", 4800, "high")
    assert _bytes(said.document) == [POWER_ON * 3, STANDBY * 3]
    text = desk.run("decode", "power.csv")
    assert text.code == 0
    assert "4800 8N1, idle high" in text.out
    assert POWER_ON.hex(" ").upper() in text.out


def test_what_is_given_to_decode_is_not_looked_for(desk: Desk) -> None:
    write_logic(desk.folder / "power.csv", [POWER_ON], baud=5000.0)
    given = ("--baud", "5000", "--frame", "8n1", "--idle", "high", "--bit-order", "msb", "--burst-gap", "5")
    said = desk.run("decode", "power.csv", "--channel", "CH1", *given, "--json")
    channel = said.document["channels"][0]
    assert (channel["baud"], channel["bit_order"]) == (5000, "msb")
    # The bits of each byte turned round by hand: A5 reads the same both ways, 01 becomes 80, 02 becomes 40.
    assert _bytes(said.document) == [bytes.fromhex("A5 80 80 40")]


def test_decode_says_when_nothing_can_be_told(desk: Desk) -> None:
    (desk.folder / "rest.csv").write_text("Time [s],CH1\n0.0,1\n0.5,1\n1.0,1\n")
    said = desk.run("decode", "rest.csv")
    assert said.code == 1
    assert said.err == ""


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["decode", "nowhere.csv"], "nowhere.csv"),
        (["decode", "power.csv", "--frame", "8X1"], "8X1"),
        (["decode", "power.csv", "--baud", "-3"], "baud"),
        (["decode", "power.csv", "--channel", "CH7"], "CH7"),
        (["decode", "power.csv", "--sample-interval", "2 parsecs"], "parsecs"),
        (["transcribe", "0102"], "'2'"),
        (["transcribe", "_"], "no bit cells"),
    ],
)
def test_wrong_input_is_one_line(desk: Desk, words: list[str], part: str) -> None:
    write_logic(desk.folder / "power.csv", [POWER_ON])
    said = desk.run(*words)
    assert (said.code, said.out) == (2, "")
    assert len(said.err.splitlines()) == 1
    assert part in said.err


def test_transcribe_gives_the_trades_reading_and_every_frame(desk: Desk) -> None:
    # Common practice, no source: the eight cells 0,0,0,0,0,1,0,1 read as a number are 05 hex.
    text = desk.run("transcribe", "00000101")
    assert text.code == 0
    assert "read as a number: 05 hex" in text.out
    said = desk.run("transcribe", "0", "10000010", "1", "--start-bit", "--idle", "high", "--json")
    # 41 at 8N1 is 0 10000010 1 (Analog Devices/Maxim tutorial 2141, worked by hand).
    first = said.document["readings"][0]
    assert (first["frame"], first["lsb_first"], first["msb_first"]) == ("8N1", [0x41], [0x82])
    assert desk.run("transcribe", "0", "10000010", "1", "--frame", "5N1", "--start-bit").code == 1


SITE = """
[site]
id = "larkfield-hall"

[buses.hall]
port = "sim://pellgate-chain?units=2"
profile = "learned.toml"
topology = "ring"
units_expected = 2

[units.foyer-amp]
bus = "hall"
"""


def _ring(path: Path, data: bytes) -> Path:
    # The line out of the lead unit, and the line that comes back to it through one unit: 10 bit times later.
    return write_voltage(path, {"OUT": ([data], 0.0), "IN": ([data], 10 / 4800)})


def test_from_captures_of_a_button_to_a_confirmed_action(desk: Desk) -> None:
    for take in (1, 2, 3):
        _ring(desk.folder / f"power-on_{take}.csv", POWER_ON)
    said = desk.run("learn", *(f"power-on_{n}.csv" for n in (1, 2, 3)), "-o", "learned.toml")
    assert (said.code, said.err) == (0, "")
    assert "power-on: A5 01 01 02 (3 messages)" in said.out
    # The captures lie beside the profile already, so they stay where they are.
    assert not (desk.folder / "captures").exists()
    checked = desk.run("check", "learned.toml")
    assert (checked.code, checked.err) == (0, "")
    desk.write("site.toml", SITE)
    done = desk.run("act", "foyer-amp", "power-on", "--json")
    assert (done.code, done.err) == (0, "")
    assert done.document["outcome"] == "confirmed"


@pytest.mark.slow
def test_learn_finds_the_address_over_several_units_and_presses_of_two_bursts(desk: Desk) -> None:
    for unit in (1, 2):
        for order, name in ((1, "power-on"), (2, "standby")):
            data = bytes((0xA5, unit, order, unit + order))
            bursts = [data, bytes.fromhex("A6 30")] if order == 1 else [data]
            for take in (1, 2):
                write_logic(desk.folder / f"{name}@{unit}_{take}.csv", bursts, between=300.0)
    words = [
        f"{name}@{unit}_{take}.csv" for name in ("power-on", "standby") for unit in (1, 2) for take in (1, 2)
    ]
    said = desk.run("learn", *words[:-1], f"standby@2={words[-1]}", "-o", "learned.toml", "--json")
    assert (said.code, said.err) == (0, "")
    assert said.document["addresses"] == {"1": 1, "2": 2}
    actions = {each["name"]: each for each in said.document["actions"]}
    assert actions["power-on"]["columns"][1] == "address"
    assert [each["before"] for each in actions["power-on"]["pauses"]] == [4]
    assert actions["standby"]["pauses"] == []
    assert desk.run("check", "learned.toml").code == 0
    text = desk.run("learn", *words, "-o", "again.toml").out
    assert "address: 1 is 1, 2 is 2" in text
    assert "one press, 62.5 ms of idle line before byte 4" in text


def test_learn_keeps_captures_of_elsewhere_beside_the_profile(desk: Desk) -> None:
    for folder, data in (("a", POWER_ON), ("b", STANDBY)):
        (desk.folder / folder).mkdir()
        write_logic(desk.folder / folder / "1.csv", [data])
    (desk.folder / "hall").mkdir()
    said = desk.run("learn", "power-on=a/1.csv", "Stand by!=b/1.csv", "-o", "hall/learned.toml", "--json")
    assert (said.code, said.err) == (0, "")
    actions = {each["name"]: each for each in said.document["actions"]}
    assert actions["power-on"]["captures"] == ["captures/power-on_1.csv"]
    assert actions["stand-by"]["messages"] == ["A5 01 02 03"]
    kept = desk.folder / "hall" / "captures" / "stand-by_1.csv"
    assert kept.read_bytes() == (desk.folder / "b" / "1.csv").read_bytes()
    assert desk.run("check", "hall/learned.toml").code == 0


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["power.csv", "-o", "there.toml"], "is there already"),
        (["power.csv", "-o", "new.profile"], ".toml"),
        (["power.csv", "power.csv", "-o", "new.toml"], "twice"),
        (["nowhere.csv", "-o", "new.toml"], "nowhere.csv"),
        (["!=power.csv", "-o", "new.toml"], "name"),
        (["power.csv", "-o", "new.toml", "--channel", "CH9"], "CH9"),
    ],
)
@pytest.mark.slow
def test_learn_writes_nothing_where_the_call_is_wrong(desk: Desk, words: list[str], part: str) -> None:
    write_logic(desk.folder / "power.csv", [POWER_ON])
    (desk.folder / "there.toml").write_text("# mine\n")
    said = desk.run("learn", *words)
    assert (said.code, said.out) == (2, "")
    assert len(said.err.splitlines()) == 1
    assert part in said.err
    assert (desk.folder / "there.toml").read_text() == "# mine\n"
    assert not (desk.folder / "new.toml").exists()


@pytest.mark.slow
def test_check_decodes_the_evidence_again(desk: Desk) -> None:
    write_logic(desk.folder / "power-on.csv", [POWER_ON])
    write_logic(desk.folder / "standby.csv", [STANDBY])
    assert desk.run("learn", "power-on.csv", "standby.csv", "-o", "learned.toml").code == 0
    assert desk.run("check", "learned.toml").code == 0
    # Another recording under the same name: the bytes still fit the action, and are not what was captured.
    write_logic(desk.folder / "power-on.csv", [STANDBY])
    said = desk.run("check", "learned.toml", "--json")
    assert said.code == 1
    (fault,) = said.document["faults"]
    assert fault["key"] == "evidence[0].bytes"
    assert "A5 01 01 02 is not in power-on.csv, which says A5 01 02 03" in fault["what"]
    (desk.folder / "power-on.csv").unlink()
    said = desk.run("check", "learned.toml", "--json")
    assert said.code == 1
    assert said.document["faults"][0]["key"] == "evidence[0].capture"


def test_check_without_captures_needs_no_numpy(desk: Desk) -> None:
    desk.write("numpy.py", "raise RuntimeError('numpy was loaded')\n")
    desk.environment["PYTHONPATH"] = f"{desk.folder}{os.pathsep}{desk.environment['PYTHONPATH']}"
    desk.write("plain.toml", PLAIN)
    assert desk.run("check", "plain.toml").code == 0


PLAIN = """
schema = 1
name = "plain"

[line]
baud = 4800

[confirm]
method = "loop"

[actions.power-on]
send = [{ hex = "A5 01 01 02" }]

[[evidence]]
action = "power-on"
bytes = "A5 01 01 02"
"""


def test_compare_two_files_with_a_picture(desk: Desk) -> None:
    write_voltage(desk.folder / "original.csv", {"CH1": ([POWER_ON * 2], 0.0)})
    write_voltage(desk.folder / "replay.csv", {"CH1": ([POWER_ON * 2], 0.0)}, inside=4.0)
    said = desk.run("compare", "original.csv", "replay.csv", "--picture", "both.svg")
    assert (said.code, said.err) == (0, "")
    assert "but for its dead time: no mismatch" in said.out
    assert (desk.folder / "both.svg").read_text().count("<polyline") == 16
    write_voltage(desk.folder / "replay.csv", {"CH1": ([POWER_ON + STANDBY], 0.0)})
    said = desk.run("compare", "original.csv", "replay.csv", "--json")
    assert said.code == 1
    assert said.document["verdict"] == "different"
    assert said.document["changes"][0]["original_at"] == 6


@pytest.mark.slow
def test_compare_two_channels_of_one_file(desk: Desk) -> None:
    _ring(desk.folder / "ring.csv", POWER_ON)
    said = desk.run("compare", "ring.csv", "--channel", "IN", "--replay-channel", "OUT", "--json")
    assert (said.code, said.document["verdict"]) == (0, "same")
    assert (said.document["original_channel"], said.document["replay_channel"]) == ("IN", "OUT")
    assert desk.run("compare", "ring.csv", "--json").document["replay_channel"] == "IN"


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["one.csv"], "second channel"),
        (["one.csv", "gone.csv"], "gone.csv"),
        (["one.csv", "one.csv", "--channel", "X"], "'X'"),
        (["one.csv", "--replay-channel", "CH1"], "itself"),
        (["one.csv", "one.csv", "--picture", "f.png"], "SVG"),
        (["one.csv", "one.csv", "--edge-tolerance", "2"], "tolerance"),
    ],
)
def test_compare_refuses_what_cannot_be_compared(desk: Desk, words: list[str], part: str) -> None:
    write_logic(desk.folder / "one.csv", [POWER_ON * 2])
    said = desk.run("compare", *words)
    assert (said.code, said.out) == (2, "")
    assert len(said.err.splitlines()) == 1
    assert part in said.err


def test_the_benchs_page_names_only_what_there_is(desk: Desk) -> None:
    page = (Path(__file__).parents[2] / "docs" / "bench.md").read_text()
    commands = ("decode", "transcribe", "learn", "compare", "bench")
    helps = {command: desk.run(command, "--help").out for command in commands}
    options = set(re.findall(r"--[a-z][a-z-]+", page)) - {"--record"}
    assert options
    for option in options:
        assert any(option in text for text in helps.values()), option
    assert set(re.findall(r"linewarden ([a-z]+)", page)) >= set(commands) - {"transcribe"}
    # The examples that need no captures work as they stand.
    assert "read as a number: 05 hex" in desk.run("transcribe", "00000101").out
