"""A box's source as text: its tables, its numbers, its words, and what is refused."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from profiles.errors import BadValue, FileUnreadable, NotKnown
from profiles.firmware.chips import ClockSource
from profiles.firmware.export import export_firmware
from profiles.firmware.manifest import NAME, box_of, read_box
from profiles.firmware.request import AtStart, FirmwareRequest, Telling
from profiles.firmware.sources import comment_text
from profiles.firmware.writing import must_be_free, write_firmware
from profiles.library import find
from tests.profiles.firmware.boxes import FORTY_OFF, FORTY_ON, exported, profile_text, request


def chain(on: Telling, off: Telling, **changes: Any) -> FirmwareRequest:
    source = find("pellgate-chain")
    return FirmwareRequest(source.load(), on, off, source.text(), **changes)


def numbers(config: str) -> dict[str, str]:
    """All that config.h defines."""
    return dict(re.findall(r"^#define (\w+) (\S+)", config, re.MULTILINE))


def table_bytes(text: str, name: str) -> bytes:
    """The bytes that stand in a table of tables.c."""
    found = re.search(rf"{name}_bytes\[\] PROGMEM = \{{(.*?)\}};", text, re.DOTALL)
    assert found is not None
    return bytes(int(word, 16) for word in re.findall(r"^\s*0x(\w\w),", found[1], re.MULTILINE))


def test_tables_hold_the_bytes_with_what_each_is_and_the_profiles_own_lines() -> None:
    made = export_firmware(
        chain(Telling("set-volume", {"level": 40}), Telling("standby"), address=2, clock=16e6)
    )
    text = made.files["tables.c"]
    # The bytes of this action at this address are the profile's evidence, "A5 02 20 28 4A".
    assert table_bytes(text, "on") == bytes.fromhex("A5 02 20 28 4A")
    assert table_bytes(text, "off") == bytes.fromhex("A5 02 02 04")
    for line in ("0x02, /* address 2 */", "0x28, /* level = 40 */", "0x4A, /* sum-8 of bytes 1 to 3 */"):
        assert line in text
    assert 'parameters.level = { type = "integer", range = [0, 63] }' in text
    assert "knows" not in text
    assert made.box.on.evidence == "A5 02 20 28 4A"
    assert made.box.off.evidence is None  # seen at address 1 only


def test_comments_above_an_action_come_along_and_those_of_its_neighbour_do_not() -> None:
    text = exported().files["tables.c"]
    assert text.count("Its relay clicks twice.") == 1
    on, off = text.split("/* off:")
    assert "Its relay clicks twice." in on
    assert "What follows is quiet." in off
    assert "What follows" not in on


def test_nothing_in_a_profile_ends_a_comment_of_the_source() -> None:
    nasty = 'title = "ends */ #error here /* or \\\\"\n'
    text = profile_text().replace('title = "On"\n', nasty).replace("clicks twice.", "clicks */ int x; /*")
    tables = exported(text).files["tables.c"]
    code = re.sub(r"/\*.*?\*/", "", tables, flags=re.DOTALL)
    assert "#error" not in code
    assert "int x" not in code
    assert "*/" not in comment_text("a */ b")
    assert "/*" not in comment_text("/* b")
    assert comment_text("ends in \\") == "ends in"
    assert comment_text("bell \a and\x1b[2J") == "bell   and [2J"


def test_numbers_of_the_source_are_the_profiles_and_the_requests() -> None:
    text = profile_text(
        line='baud = 4800\nframe = "7E2"\nbit_order = "msb"\nidle = "low"\ndead_time_ms = 2.5',
        on="15 01",
        off="15 00",
        more="hold_off_ms = 500.0",
    )
    made = exported(
        text, debounce=0.05, delay_on=1.5, delay_off=60.0, at_start=AtStart.OFF, trigger_high=True
    )
    found = numbers(made.files["config.h"])
    wanted = {
        "F_CPU": "8000000UL",
        "BIT_CYCLES": "1667",
        "DATA_BITS": "7",
        "PARITY": "'E'",
        "CELL_COUNT": "9",
        "STOP_CYCLES": "3334",
        "MSB_FIRST": "1",
        "IDLE_HIGH": "0",
        "DEAD_CYCLES": "20000",
        "DEAD_TENTHS": "0",
        "WITH_ECHO": "1",
        "ECHO_TICKS": "251",
        "DEBOUNCE_TICKS": "51",
        "DELAY_ON_TICKS": "1500UL",
        "DELAY_OFF_TICKS": "60000UL",
        "HOLD_ON_TICKS": "500UL",
        "HOLD_OFF_TICKS": "0UL",
        "AT_START": "START_OFF",
        "TRIGGER_HIGH": "1",
        "TRIGGER_PULL_UP": "0",
    }
    assert {name: found[name] for name in wanted} == wanted
    assert made.budget.bit_cycles == 1667
    assert made.budget.tables == 4
    # Two frames of 11 bits, and 2.5 ms between them.
    assert made.budget.message_s[0] == pytest.approx(2 * 11 * 1667 / 8e6 + 0.0025)


def test_pauses_and_repeats_stand_in_the_tables() -> None:
    text = profile_text(
        confirm='method = "none"',
        on='{ hex = "A5" }, { pause_ms = 12.34 }, { hex = "01" }',
        more="repeat = 2\nrepeat_pause_ms = 1000.0",
    )
    made = exported(text)
    assert table_bytes(made.files["tables.c"], "on") == bytes.fromhex("A5 01 A5 01")
    pauses = re.findall(r"\{(\d+), (\d+)\}", made.files["tables.c"])
    assert pauses == [("1", "124"), ("2", "10000"), ("3", "124")]
    assert [(p.before, p.seconds) for p in made.box.on.pauses] == [(1, 0.01234), (2, 1.0), (3, 0.01234)]


def test_the_readme_has_pins_fuses_cautions_and_the_clocks_tolerance() -> None:
    text = exported(chip="attiny84", clock_source=ClockSource.CALIBRATED).files["README.md"]
    for words in (
        "no emergency stop",
        "mains",
        "opto-isolator",
        "gear's maker",
        "local rules",
        "| line, out | 12 (PA1) |",
        "| echo, in | 13 (PA0) |",
        "lfuse:w:0xE2:m -U hfuse:w:0xDD:m -U efuse:w:0xFF:m",
        "CKDIV8",
        "Calibrate it to 1 %",
        "A5 01 7F",
        "says nothing after a reset",
    ):
        assert words in text
    assert "$" not in text
    without = exported(profile_text(confirm='method = "none"')).files["README.md"]
    assert "echo, in" not in without
    assert "3 blinks" not in without
    assert "There is no echo input" in without


def test_what_a_person_should_know_is_told_and_no_more() -> None:
    assert exported().warnings == ()
    (clock,) = exported(clock_source=ClockSource.CALIBRATED).warnings
    assert clock.startswith("the bit rate may be 1.04% off")
    (blind,) = exported(echo=False).warnings
    assert "nobody knows what arrived" in blind
    (again,) = exported(at_start=AtStart.FOLLOW).warnings
    assert "when power returns" in again
    text = profile_text()
    swapped = FirmwareRequest(request(text).profile, Telling("off"), Telling("on"))
    assert [warning.split(",")[0] for warning in export_firmware(swapped).warnings] == [
        "--on says off",
        "--off says on",
    ]
    toggling = FirmwareRequest(request(text).profile, Telling("on"), Telling("on"))
    assert (
        "on and off say the same bytes: the box can't make sure of a state"
        in export_firmware(toggling).warnings
    )


REPLY = '[[actions.on.reply]]\nexpect = [{ hex = "06" }]\n'


@pytest.mark.parametrize(
    ("text", "changes", "says"),
    [
        (profile_text(more=REPLY), {}, "on waits for an answer, and the box can't judge one"),
        (
            profile_text(on='{ hex = "A5" }, { counter = "turn" }'),
            {},
            "has a counter (turn) that goes up with each message",
        ),
        (
            profile_text(more="only_if = { power = false }\n").replace(
                "# Its relay", '[states.power]\ntype = "boolean"\n# Its relay'
            ),
            {},
            "only while power is known to be right, and the box knows no states",
        ),
        (profile_text(), {"address": 3}, "units of shelf have no addresses; leave --address out"),
        (profile_text(confirm='method = "none"'), {"echo": True}, "an echo input is for a ring"),
        (profile_text(), {"debounce": 0.0}, "a debounce of 0 s is not possible; give from 1 ms to 10 s"),
        (profile_text(), {"delay_off": 2000.0}, "a delay before off of 2000 s is not possible"),
        (profile_text(), {"delay_on": -1.0}, "a delay before on of -1 s"),
        (profile_text(line="baud = 57600"), {"clock": 1e6}, "17 cycles a bit, and 80 are needed"),
    ],
)
def test_what_a_box_can_not_do_is_refused_with_the_reason(
    text: str, changes: dict[str, Any], says: str
) -> None:
    with pytest.raises(BadValue) as refused:
        exported(text, **changes)
    assert says in str(refused.value)
    assert refused.value.todo


def test_missing_parameters_addresses_and_actions_are_refused() -> None:
    on, off = Telling("power-on"), Telling("standby")
    with pytest.raises(
        BadValue, match="goes to an address, and none is given; give --address 1 to 15, or all"
    ):
        export_firmware(chain(on, off))
    with pytest.raises(BadValue, match="99 is no address"):
        export_firmware(chain(on, off, address=99))
    with pytest.raises(BadValue, match="set-volume needs level"):
        export_firmware(chain(Telling("set-volume"), off, address=1))
    with pytest.raises(BadValue, match="level must be from 0 to 63"):
        export_firmware(chain(Telling("set-volume", {"level": 64}), off, address=1))
    with pytest.raises(NotKnown, match="try standby"):
        export_firmware(chain(on, Telling("stanby"), address=1))


def test_tables_that_do_not_fit_the_chip_are_refused() -> None:
    long = " ".join(["5A"] * 1000)
    text = profile_text(on=long, off=long.replace("5A", "5B"), more="repeat = 6")
    with pytest.raises(BadValue, match=r"the messages take 7000 bytes, and the ATtiny84 has 6144"):
        exported(text, chip="attiny84")
    assert exported(text).budget.tables == 7000


def test_a_box_is_described_beside_its_source_and_read_again(tmp_path: Path) -> None:
    made = exported(profile_text(on=FORTY_ON, off=FORTY_OFF), delay_off=2.0)
    folder = tmp_path / "new" / "box"
    write_firmware(made, folder)
    assert sorted(path.name for path in folder.iterdir()) == sorted(made.files)
    assert read_box(folder) == made.box == box_of(made.plan)
    assert read_box(folder).on.data == bytes.fromhex(FORTY_ON)
    with pytest.raises(FileUnreadable, match="is not there"):
        read_box(tmp_path)
    description = json.loads((folder / NAME).read_text())
    for key, value, says in (
        ("bit_cycles", 0, "bit_cycles"),
        ("pins", {"nose": {}}, "pins"),
        ("more", 1, "more"),
    ):
        (folder / NAME).write_text(json.dumps({**description, key: value}))
        with pytest.raises(FileUnreadable, match=rf"is no description of a box: {says}"):
            read_box(folder)


def test_a_folder_that_is_there_is_left_as_it_is(tmp_path: Path) -> None:
    made = exported()
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "main.c").write_text("mine")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(BadValue, match="other things in it; name one that is not there yet"):
        write_firmware(made, tmp_path / "letters", replace=True)
    with pytest.raises(BadValue, match="is no folder"):
        write_firmware(made, tmp_path / "file", replace=True)
    assert (tmp_path / "letters" / "main.c").read_text() == "mine"
    assert (tmp_path / "file").read_text() == "mine"
    (tmp_path / "empty").mkdir()
    write_firmware(made, tmp_path / "empty")
    (tmp_path / "empty" / "notes").write_text("mine")
    with pytest.raises(BadValue, match="has a box already; choose another name, or say --replace"):
        must_be_free(tmp_path / "empty")
    write_firmware(exported(chip="attiny84"), tmp_path / "empty", replace=True)
    assert read_box(tmp_path / "empty").chip == "attiny84"
    assert (tmp_path / "empty" / "notes").read_text() == "mine"
