"""The bench on the command line: decode, transcribe, compare, learn."""

from __future__ import annotations

import pytest

from tests.profiles.bench.captures import write_logic
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
