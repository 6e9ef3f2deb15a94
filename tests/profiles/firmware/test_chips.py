"""What is known of the chips, against avr-libc's headers."""

from __future__ import annotations

import ast
import re
import subprocess
from functools import cache

import pytest

from profiles.errors import BadValue, NotKnown
from profiles.firmware.chips import CHIPS, Chip, ClockSource, find_chip


@cache
def header(chip: str) -> dict[str, str]:
    """All that avr-libc's header defines for a chip."""
    done = subprocess.run(
        ["avr-gcc", f"-mmcu={chip}", "-E", "-dM", "-include", "avr/io.h", "-x", "c", "/dev/null"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return dict(re.findall(r"^#define (\w+) (.+)$", done.stdout, re.MULTILINE))


def value(chip: str, name: str) -> int:
    """A number of the header; names in it are looked up in turn."""
    text = header(chip)[name].replace("(unsigned char)", "").replace("_SFR_MEM8", "")
    text = re.sub(r"_BV\((\w+)\)", r"(1 << \1)", text)
    text = re.sub(r"_SFR_IO8\(([^)]+)\)", r"(\1 + 0x20)", text)
    text = re.sub(r"\b[A-Z_]\w+", lambda found: str(value(chip, found[0])), text)

    def of(node: ast.expr) -> int:
        match node:
            case ast.Constant(value=int() as number):
                return number
            case ast.UnaryOp(op=ast.Invert(), operand=operand):
                return ~of(operand)
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                return -of(operand)
            case ast.BinOp(left=left, op=ast.BitAnd(), right=right):
                return of(left) & of(right)
            case ast.BinOp(left=left, op=ast.LShift(), right=right):
                return of(left) << of(right)
            case ast.BinOp(left=left, op=ast.Add(), right=right):
                return of(left) + of(right)
        raise ValueError(text)

    return of(ast.parse(text.strip(), mode="eval").body)


@pytest.mark.peer("avr-gcc")
@pytest.mark.parametrize("chip", CHIPS, ids=lambda chip: chip.name)
def test_memories_and_registers_are_the_headers(chip: Chip) -> None:
    assert chip.flash == value(chip.name, "FLASHEND") + 1
    start = value(chip.name, "RAMSTART") if "RAMSTART" in header(chip.name) else 0x60
    assert chip.ram == value(chip.name, "RAMEND") + 1 - start
    assert chip.watchdog == value(chip.name, "WDTCSR")
    assert chip.watchdog_bit == value(chip.name, "WDIE")
    for pin in (chip.line, chip.echo, chip.trigger, chip.lamp, *chip.crystal):
        assert f"PORT{pin.port}{pin.bit}" in header(chip.name) or f"P{pin.port}{pin.bit}" in header(chip.name)


@pytest.mark.peer("avr-gcc")
@pytest.mark.parametrize("chip", CHIPS, ids=lambda chip: chip.name)
def test_fuses_are_put_together_from_the_headers_bits(chip: Chip) -> None:
    bit = {name: value(chip.name, f"FUSE_{name}") & 0xFF for name in _FUSES}
    for source, programmed in (
        # ATmega328P data sheet 7810, chapter 13, and ATtiny84 data sheet 8006, chapter 6; from memory.
        (ClockSource.EXTERNAL, ("CKSEL0", "CKSEL1", "CKSEL2", "CKSEL3", "SUT0")),
        (ClockSource.CALIBRATED, ("CKSEL0", "CKSEL2", "CKSEL3", "SUT0")),
        (ClockSource.CRYSTAL, ()),
    ):
        wanted = 0xFF
        for name in programmed:
            wanted &= bit[name]
        assert chip.fuses(8e6, source).low == wanted
    # From the factory the clock is divided by 8; with these fuses it is not.
    factory = value(chip.name, "LFUSE_DEFAULT") & 0xFF
    assert factory | bit["CKDIV8"] == bit["CKDIV8"]
    assert all(chip.fuses(8e6, source).low & ~bit["CKDIV8"] & 0x80 for source in ClockSource)
    for clock in (1e6, 8e6, 16e6):
        fuses = chip.fuses(clock, ClockSource.CRYSTAL)
        assert fuses.high | bit["WDTON"] == 0xFF, "the watchdog is not always on"
        assert fuses.high & ~bit["SPIEN"] & 0xFF == 0, "the chip can be programmed again"
        level = (fuses.extended if chip.brown_out_in == "extended" else fuses.high) & 0b111
        assert level == (0b100 if clock > 10e6 else 0b101)


_FUSES = ("CKSEL0", "CKSEL1", "CKSEL2", "CKSEL3", "SUT0", "CKDIV8", "WDTON", "SPIEN")


def test_a_chip_or_clock_that_can_not_be_is_refused_with_what_can() -> None:
    assert find_chip("attiny84", 8e6, ClockSource.CRYSTAL).pins == 14
    with pytest.raises(NotKnown, match="did you mean `atmega328p`"):
        find_chip("atmega328", 8e6, ClockSource.CRYSTAL)
    for clock in (32768.0, 20.5e6, 8e6 + 0.5):
        with pytest.raises(BadValue, match="whole hertz from 1 to 20 MHz"):
            find_chip("attiny84", clock, ClockSource.CRYSTAL)
    with pytest.raises(BadValue, match="own oscillator has 8 MHz, not 16"):
        find_chip("atmega328p", 16e6, ClockSource.CALIBRATED)


def test_no_pin_is_used_twice_and_the_numbers_of_the_case_differ() -> None:
    for chip in CHIPS:
        pins = [chip.line, chip.echo, chip.trigger, chip.lamp, *chip.crystal]
        assert len({(pin.port, pin.bit) for pin in pins}) == len(pins)
        numbers = [pin.number for pin in pins] + [number for side in chip.supply for number in side]
        assert len(set(numbers)) == len(numbers)
        assert all(1 <= number <= chip.pins for number in numbers)
