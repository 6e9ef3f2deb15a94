"""Bit times and ticks, against the data sheets' tables."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from profiles.errors import BadValue
from profiles.firmware.chips import ClockSource
from profiles.firmware.timing import LEAST_CYCLES, MOST_CYCLES, REFUSED, BitTiming, bit_timing, pick_tick
from profiles.model import LineSettings

# ATmega48/88/168 data sheet 2545D, "Examples of baud rate settings", tables 83 and 84: baud, UBRR and printed
# error in % at U2X = 0 and 1; a bit is 16 (or 8) x (UBRR + 1) cycles. Error = (closest / baud - 1) x 100 %.
TABLE = {
    8e6: {
        2400: (207, 0.2, 416, -0.1),
        4800: (103, 0.2, 207, 0.2),
        9600: (51, 0.2, 103, 0.2),
        14400: (34, -0.8, 68, 0.6),
        19200: (25, 0.2, 51, 0.2),
        28800: (16, 2.1, 34, -0.8),
        38400: (12, 0.2, 25, 0.2),
        57600: (8, -3.5, 16, 2.1),
        76800: (6, -7.0, 12, 0.2),
        115200: (3, 8.5, 8, -3.5),
        250000: (1, 0.0, 3, 0.0),
    },
    16e6: {
        2400: (416, -0.1, 832, 0.0),
        9600: (103, 0.2, 207, 0.2),
        14400: (68, 0.6, 138, -0.1),
        28800: (34, -0.8, 68, 0.6),
        57600: (16, 2.1, 34, -0.8),
        76800: (12, 0.2, 25, 0.2),
        115200: (8, -3.5, 16, 2.1),
        230400: (3, 8.5, 8, -3.5),
        500000: (1, 0.0, 3, 0.0),
    },
}


@pytest.mark.parametrize(
    ("clock", "baud", "cycles", "printed"),
    [
        (clock, baud, factor * (row[place] + 1), row[place + 1])
        for clock, rows in TABLE.items()
        for baud, row in rows.items()
        for place, factor in ((0, 16), (2, 8))
    ],
)
def test_the_error_of_a_rate_is_the_data_sheets(
    clock: float, baud: float, cycles: int, printed: float
) -> None:
    assert round(BitTiming(clock, baud, cycles, 0.0).error * 100, 1) == printed


@pytest.mark.parametrize("baud", [300, 600, 1200, 2400, 4800, 9600, 19200, 31250, 38400, 57600])
def test_rates_up_to_57600_are_within_half_a_percent_at_8_megahertz(baud: float) -> None:
    timing = bit_timing(LineSettings(baud=baud), 8e6, ClockSource.CRYSTAL, echo=True)
    assert abs(timing.error) <= 0.005


def test_counted_cycles_come_nearer_than_the_chips_own_uart() -> None:
    for clock, rows in TABLE.items():
        for baud, row in rows.items():
            timing = bit_timing(LineSettings(baud=baud), clock, ClockSource.CRYSTAL, echo=False)
            assert abs(timing.error) * 100 <= min(abs(row[1]), abs(row[3])) + 0.1


@given(
    baud=st.floats(50, 400_000),
    clock=st.integers(1_000_000, 20_000_000),
    source=st.sampled_from(ClockSource),
)
def test_no_rate_is_made_with_an_error_beyond_the_bound(baud: float, clock: int, source: ClockSource) -> None:
    line = LineSettings(baud=baud)
    cycles = clock / baud
    best = min(abs(clock / n / baud - 1) for n in (int(cycles) or 1, int(cycles) + 1))
    if best + source.tolerance > REFUSED or not LEAST_CYCLES <= int(cycles + 0.5) <= MOST_CYCLES:
        with pytest.raises(BadValue, match="; use "):
            bit_timing(line, clock, source, echo=False)
    else:
        timing = bit_timing(line, clock, source, echo=False)
        assert abs(timing.achieved / baud - 1) + source.tolerance <= REFUSED
        assert LEAST_CYCLES <= timing.cycles <= MOST_CYCLES
        # No other whole number of cycles is nearer to the bit time.
        assert abs(timing.cycles - clock / baud) <= 0.5


def test_a_clock_that_is_too_slow_or_too_coarse_is_refused_with_the_way_out() -> None:
    with pytest.raises(
        BadValue, match="69 cycles a bit, and 80 are needed to read an echo; use a faster clock"
    ):
        bit_timing(LineSettings(baud=115200), 8e6, ClockSource.CRYSTAL, echo=True)
    with pytest.raises(BadValue, match=r"5 cycles a bit, and 12 are needed to send; use a faster clock"):
        bit_timing(LineSettings(baud=115200), 600e3, ClockSource.CRYSTAL, echo=False)
    # 8 MHz / 320 kbaud = 25 cycles exactly; 327 kbaud would need 24.46.
    assert bit_timing(LineSettings(baud=320e3), 8e6, ClockSource.CRYSTAL, echo=False).error == 0
    with pytest.raises(BadValue, match=r"\+1\.94% off"):
        bit_timing(LineSettings(baud=327e3), 8e6, ClockSource.CRYSTAL, echo=False)
    with pytest.raises(BadValue, match="use a slower clock"):
        bit_timing(LineSettings(baud=50), 20e6, ClockSource.CRYSTAL, echo=False)


@given(clock=st.integers(1_000_000, 20_000_000), seconds=st.floats(0, 1800))
def test_ticks_never_make_a_delay_shorter(clock: int, seconds: float) -> None:
    tick = pick_tick(clock)
    divisor = {2: 8, 3: 64, 4: 256, 5: 1024}[
        tick.select
    ]  # ATmega328P data sheet 7810, table 19-10, from memory
    assert tick.seconds == pytest.approx((tick.compare + 1) * divisor / clock)
    assert 0 < tick.compare < 256
    assert abs(tick.seconds - 0.001) < 0.00005
    count = tick.count(seconds)
    assume(seconds > 0)
    assert seconds * (1 - 1e-6) - 1e-9 <= count * tick.seconds <= seconds + tick.seconds


def test_round_clocks_have_a_tick_of_a_millisecond() -> None:
    for clock in (1e6, 2e6, 8e6, 16e6):
        assert pick_tick(clock).seconds == pytest.approx(0.001, abs=1e-12)
    assert pick_tick(8e6).count(0.02) == 20
