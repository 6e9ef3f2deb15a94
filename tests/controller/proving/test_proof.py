"""Boxes built with avr-gcc and run on simavr's chips; both know nothing of us."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from controller.proving.proof import Proof, prove
from controller.proving.toolchain import build_box
from profiles.errors import FileUnreadable, ToolTrouble
from profiles.firmware.chips import ClockSource
from profiles.firmware.export import FirmwareExport, export_firmware
from profiles.firmware.request import AtStart, FirmwareRequest, Telling
from profiles.firmware.writing import write_firmware
from profiles.library import find
from tests.profiles.firmware.boxes import FORTY_OFF, FORTY_ON, exported, profile_text

pytestmark = [pytest.mark.peer("avr-gcc", "simavr", "cc")]


ALL = bytes(range(256)).hex(" ")
SEVEN = bytes(range(128)).hex(" ")
PAUSED_ON = '{ hex = "A5" }, { pause_ms = 12.34 }, { hex = "01 02" }'
PAUSED_OFF = '{ pause_ms = 30.0 }, { hex = "A5 00" }'


def proof_of(made: FirmwareExport, folder: Path) -> Proof:
    write_firmware(made, folder)
    return prove(folder)


def problems(proof: Proof) -> dict[str, list[str]]:
    return {case.name: case.problems for case in proof.cases if not case.passed}


def test_the_halls_power_and_standby_are_proven_against_the_evidence(tmp_path: Path) -> None:
    source = find("pellgate-chain")
    on, off = Telling("power-on"), Telling("standby")
    made = export_firmware(FirmwareRequest(source.load(), on, off, source.text(), address=1))
    write_firmware(made, tmp_path / "box")
    told: list[tuple[int, int, str]] = []
    proof = prove(tmp_path / "box", lambda done, of, what: told.append((done, of, what)))
    assert problems(proof) == {}
    assert proof.passed
    first = proof.cases[0]
    # The evidence of the shipped profile: seen at address 1 with the front panel of the lead unit.
    assert first.heard == ["A5 01 01 02", "A5 01 02 03"]
    assert proof.document()["evidence"] == {"on": "A5 01 01 02", "off": "A5 01 02 03"}
    assert [done for done, _, _ in told] == list(range(len(proof.cases) + 3))
    assert {of for _, of, _ in told} == {len(proof.cases) + 2}


def test_two_messages_of_forty_bytes_with_echo_stay_small_and_exact(tmp_path: Path) -> None:
    made = exported(profile_text(line="baud = 57600", on=FORTY_ON, off=FORTY_OFF))
    proof = proof_of(made, tmp_path / "box")
    assert problems(proof) == {}
    assert proof.built.flash < 2048
    assert proof.ram < 64
    assert all(abs(case.figures["bit_error"]) <= 0.005 for case in proof.cases if "bit_error" in case.figures)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("baud", "chip"),
    [
        *((baud, "atmega328p") for baud in (300, 1200, 4800, 14400, 31250, 38400, 57600)),
        *((baud, "attiny84") for baud in (300, 9600, 57600)),
    ],
)
def test_every_rate_up_to_57600_is_within_half_a_percent(baud: int, chip: str, tmp_path: Path) -> None:
    made = exported(profile_text(line=f"baud = {baud}", on=FORTY_ON[:29], off=FORTY_OFF[:23]), chip=chip)
    proof = proof_of(made, tmp_path / "box")
    assert problems(proof) == {}
    errors = [case.figures["bit_error"] for case in proof.cases if "bit_error" in case.figures]
    assert len(errors) > 10
    assert max(map(abs, errors)) <= 0.005


@pytest.mark.slow
@pytest.mark.parametrize(
    ("confirm", "line", "on", "off"),
    [
        ("loop", 'frame = "7E1"', "15 01 7F", "15 00"),
        ("none", 'frame = "7O2"\nbit_order = "msb"', SEVEN, "15 00"),
        ("loop", 'frame = "8M1"', "A5", "00"),
        ("none", 'frame = "8E1"\nidle = "low"', ALL, "FF"),
        ("none", 'frame = "8S1"\nidle = "low"', "FF", "00 FE"),
        ("loop", 'frame = "5N1.5"', "15 1F", "00 1E"),
        ("none", 'frame = "9N1"\nbit_order = "msb"', ALL, "A5 00"),
        ("loop", 'frame = "9E2"\nbit_order = "msb"\nidle = "low"', "A5 01", "A5 00"),
        ("none", "dead_time_ms = 5.0", "A5 01 7F", "A5 00 00"),
        ("none", "dead_time_bits = 3.0", "A5 01 7F", "A5 00 00"),
        ("loop", "dead_time_ms = 25.0", "A5 01 7F", "A5 00 00"),
        ("none", 'frame = "5N1.5"', "15 1F", "00 1E"),
        ("none", "", PAUSED_ON, PAUSED_OFF),
        ("loop", "", PAUSED_ON, PAUSED_OFF),
    ],
)
def test_every_kind_of_frame_and_pause_is_on_the_line(
    confirm: str, line: str, on: str, off: str, tmp_path: Path
) -> None:
    text = profile_text(line=f"baud = 9600\n{line}", confirm=f'method = "{confirm}"', on=on, off=off)
    proof = proof_of(exported(text), tmp_path / "box")
    assert problems(proof) == {}
    assert proof.cases[0].heard


@pytest.mark.slow
@pytest.mark.parametrize(
    ("at_start", "changes"),
    [
        (AtStart.OFF, {}),
        (AtStart.FOLLOW, {}),
        (AtStart.NOTHING, {"trigger_high": True, "chip": "attiny84", "clock": 16e6}),
        (AtStart.OFF, {"trigger_high": True}),
        (AtStart.NOTHING, {"delay_on": 1.0, "delay_off": 3.0, "debounce": 0.1}),
        (AtStart.FOLLOW, {"delay_on": 1.0, "delay_off": 3.0, "chip": "attiny84"}),
        (AtStart.NOTHING, {"debounce": 0.001, "clock": 1e6}),
        (AtStart.OFF, {"clock": 7372800.0, "delay_on": 0.5}),
        (AtStart.FOLLOW, {"clock": 20e6, "clock_source": ClockSource.EXTERNAL}),
    ],
)
def test_every_start_delay_and_clock_does_what_it_has_to(
    at_start: AtStart, changes: dict[str, Any], tmp_path: Path
) -> None:
    text = profile_text(more="hold_off_ms = 700.0")
    proof = proof_of(exported(text, at_start=at_start, **changes), tmp_path / "box")
    assert problems(proof) == {}
    assert proof.cases[0].heard[-2:] == ["A5 01 7F", "A5 00 00 FF"]


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_the_longest_delays_are_waited_for_once(tmp_path: Path) -> None:
    proof = proof_of(exported(delay_on=600.0, delay_off=1800.0), tmp_path / "box")
    assert problems(proof) == {}
    # The first story takes more than 40 minutes of the chip's time; it is late by no more than ticks.
    assert abs(proof.cases[0].figures["late_s"]) < 0.005


SPOILED = [
    ("config.h", r"(BIT_CYCLES) 833\b", r"\1 840", "on-off", "a bit takes"),
    ("config.h", r"(DEBOUNCE_TICKS) 21\b", r"\1 5", "short-pulses", "besides"),
    ("config.h", r"(DELAY_ON_TICKS) 0UL", r"\1 20UL", "on-off", "on begins"),
    ("config.h", r"(AT_START) START_NOTHING", r"\1 START_FOLLOW", "reset-brown-out", "has to say"),
    ("config.h", r"(WITH_ECHO) 1", r"\1 0", "echo-wrong", "besides"),
    ("config.h", r"(HOLD_ON_TICKS) 700UL", r"\1 0UL", "on-off", "off begins"),
    ("config.h", r"(REST_TICKS) 4", r"\1 1", "on-off", "on begins"),
    ("tables.c", "0x7F,", "0x7E,", "on-off", "on says A5 01 7E and has to say A5 01 7F"),
    ("hal.c", r"wdt_enable\(WDTO_2S\);", "", "reset-watchdog", "had to be power, hang, watchdog"),
    ("hal.c", r"WDTCSR \|= _BV\(WDIE\);", "", "long-rest", "resets were power, watchdog"),
    ("hal.c", r"(#define ECHO_LATENCY) 26", r"\1 (-BIT_CYCLES / 2)", "ring-slow", "has to say"),
    ("hal.c", r"(    LINE_PORT \|= _BV)", r"    LINE_DDR |= _BV(LINE_BIT);\n\1", "on-off", "no frames"),
    ("line.c", r"hal_receive\(\) == cells", "1", "echo-wrong", "besides"),
    (
        "line.c",
        r"return first \? FAULT_NO_ECHO : FAULT_ECHO_STOPPED",
        "return FAULT_NONE",
        "ring-open",
        "besides",
    ),
    ("line.c", r"return FAULT_LINE_BUSY", "return 0", "line-stuck", "the lamp blinks"),
    ("main.c", r"RESET_WATCHDOG \?", "RESET_POWER ?", "reset-watchdog", "the lamp blinks"),
]
"""What is done to a good source, and which story then goes wrong how."""


@pytest.mark.slow
@pytest.mark.parametrize(("name", "pattern", "by", "story", "says"), SPOILED)
def test_a_source_that_was_spoiled_is_not_proven(
    name: str, pattern: str, by: str, story: str, says: str, tmp_path: Path
) -> None:
    write_firmware(exported(profile_text(more="hold_off_ms = 700.0")), tmp_path / "box")
    path = tmp_path / "box" / name
    text, count = re.subn(pattern, by, path.read_text(), count=1)
    assert count == 1
    path.write_text(text)
    makefile = tmp_path / "box" / "Makefile"
    makefile.write_text(makefile.read_text().replace("-Werror", "-Wno-error"))
    proof = prove(tmp_path / "box")
    assert not proof.passed
    assert any(says in problem for problem in problems(proof)[story]), problems(proof)


def test_a_source_that_does_not_build_says_the_compilers_first_word(tmp_path: Path) -> None:
    write_firmware(exported(), tmp_path / "box")
    (tmp_path / "box" / "main.c").write_text("int main(void) { return nonsense; }\n")
    with pytest.raises(ToolTrouble, match=r"the source does not build: .*nonsense"):
        prove(tmp_path / "box")
    with pytest.raises(FileUnreadable, match="is not there"):
        prove(tmp_path)


def test_both_chips_build_without_a_warning_and_say_their_size(tmp_path: Path) -> None:
    sizes = []
    for chip in ("atmega328p", "attiny84"):
        write_firmware(exported(chip=chip), tmp_path / chip)
        work = tmp_path / f"{chip}-work"
        work.mkdir()
        built = build_box(tmp_path / chip, work)
        assert built.image.stat().st_size == built.flash
        sizes.append((built.flash, built.ram))
    assert all(flash < 2048 and ram < 64 for flash, ram in sizes)
