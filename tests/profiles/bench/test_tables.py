"""Tables of measured values in every dress: what is taken for what, and that the values are right."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from profiles.bench.capture import Capture, ChannelKind
from profiles.bench.decoding import decode
from profiles.bench.readers.opening import read_capture
from profiles.errors import FileUnreadable
from profiles.frames import FrameFormat
from tests.profiles.bench.lines import edge_times

TEXT = b"PELLGATE 7: POWER ON\r\n"
BIT = 1 / 9600
FS = 5e-6


def levels(delay: float = 0.0) -> np.typing.NDArray[np.int64]:
    times, _ = edge_times(list(TEXT), FrameFormat(), BIT)
    count = int((times[-1] + 40 * BIT) / FS)
    return 1 - (np.searchsorted(times + delay, np.arange(count) * FS, side="right") & 1)


def write(path: Path, text: str, encoding: str = "utf-8") -> Capture:
    path.write_bytes(text.encode(encoding))
    return read_capture(path)


def check_text(capture: Capture, channel: int = 0) -> None:
    found = decode(capture).channels[channel]
    assert str(found.main.fit.frame) == "8N1"
    assert found.main.fit.baud == 9600
    assert bytes(found.main.values) == TEXT


HEADERS = {
    "plain": ("", ",", ".", 1.0, 1.0),
    "names with units": ("Time (s),CH1 (V)\n", ",", ".", 1.0, 1.0),
    "milliseconds and millivolts": ("Time (ms),CH1 (mV)\n", ",", ".", 1e3, 1e3),
    "microseconds": ("t [us];U [V]\n", ";", ".", 1e6, 1.0),
    "decimal comma": ("Zeit (s);Kanal 1 (V)\n", ";", ",", 1.0, 1.0),
    "decimal comma and tabs": ("Time\tA\n", "\t", ",", 1.0, 1.0),
    "a row of units": ("Time,Channel A\n(ms),(V)\n\n", ",", ".", 1e3, 1.0),
    "many lines above": ("Kind,demo\nPoints,9\nDate,2026-01-05\n\nSecond,Volt\n", ",", ".", 1.0, 1.0),
    "comment signs": ("# a note\n# another; with signs\n# time, level\n", ",", ".", 1.0, 1.0),
    "blanks": ("  time   v(rx)\n", " ", ".", 1.0, 1.0),
    "bars": ("time|rx\n", "|", ".", 1.0, 1.0),
}


@pytest.mark.parametrize("dress", HEADERS)
def test_every_dress(tmp_path: Path, dress: str) -> None:
    header, delimiter, decimal, time_scale, volt_scale = HEADERS[dress]
    rows = []
    for index, level in enumerate(levels().tolist()):
        row = f"{index * FS * time_scale:.9g}{delimiter}{(0.1 + 3.2 * level) * volt_scale:.5g}"
        rows.append(row.replace(".", decimal))
    capture = write(tmp_path / "scope.csv", header + "\n".join(rows) + "\n")
    channel = capture.channels[0]
    assert channel.kind is ChannelKind.VOLTAGE
    assert channel.time is not None
    assert channel.time.interval == pytest.approx(FS, rel=1e-4)
    assert channel.samples is not None
    assert channel.samples.min() == pytest.approx(0.1, rel=1e-3)
    assert channel.samples.max() == pytest.approx(3.3, rel=1e-3)
    check_text(capture)


def test_a_sample_interval_above_the_values_instead_of_times(tmp_path: Path) -> None:
    body = "\n".join(f"{3.3 * level:.2f}" for level in levels().tolist())
    for line in (
        "Sample Interval,5.0e-06",
        "Sampling Period: 5 us",
        "Sample rate (kHz),200",
        "dt = 0.000005",
    ):
        check_text(write(tmp_path / "a.csv", f"Kind,demo\n{line}\nCH1 (V)\n{body}\n"))
    with pytest.raises(FileUnreadable, match=r"no sample interval.*--sample-interval"):
        write(tmp_path / "b.csv", f"CH1 (V)\n{body}\n")
    (tmp_path / "b.csv").write_text(body)
    check_text(read_capture(tmp_path / "b.csv", sample_interval=FS))


def test_an_interval_beside_the_names_and_a_column_that_counts(tmp_path: Path) -> None:
    body = "\n".join(f"{index},{3.3 * level:.2f}," for index, level in enumerate(levels().tolist()))
    capture = write(tmp_path / "a.csv", f"X,CH1,Start,Increment,\nSequence,Volt,-1.0e-3,5.0e-06,\n{body}\n")
    assert [channel.name for channel in capture.channels] == ["CH1"]
    check_text(capture)


def test_facts_in_columns_beside_the_first_values(tmp_path: Path) -> None:
    facts = ["Record Length,2500,", "Sample Interval,5e-6,", "Source,CH1,"]
    rows = [f"{index * FS:.6f},{3.3 * level:.2f}" for index, level in enumerate(levels().tolist())]
    text = "\n".join(fact + row for fact, row in zip(facts, rows[:3], strict=True))
    text += "\n" + "\n".join(",,," + row for row in rows[3:]) + "\n"
    check_text(write(tmp_path / "a.csv", text))


def test_several_channels_and_what_each_was_taken_for(tmp_path: Path) -> None:
    one, two = levels(), levels(delay=10 * BIT)
    rows = "\n".join(
        f"{index * FS:.6f},{3.3 * a:.2f},{b},{index}"
        for index, (a, b) in enumerate(zip(one, two, strict=True))
    )
    capture = write(tmp_path / "a.csv", f"Time (s),OUT (V),RETURN,Index\n{rows}\n")
    assert [channel.name for channel in capture.channels] == ["OUT", "RETURN"]
    assert [channel.kind for channel in capture.channels] == [ChannelKind.VOLTAGE, ChannelKind.LOGIC]
    assert "a voltage, in V" in capture.channels[0].taken_for
    assert any("'Index': ignored" in note for note in capture.notes)
    assert any("the time, in s" in note for note in capture.notes)
    check_text(capture, 0)
    loop = decode(capture).loop
    assert loop is not None
    assert (loop.source, loop.target, loop.hops, loop.complete) == ("OUT", "RETURN", 1, True)


@pytest.mark.parametrize("words", [("0", "1"), ("Low", "High"), ("false", "true"), ("L", "H")])
def test_logic_as_a_list_of_changes(tmp_path: Path, words: tuple[str, str]) -> None:
    times, _ = edge_times(list(TEXT), FrameFormat(), BIT)
    rows = [f"0,{words[1]}"] + [f"{time:.9f},{words[index & 1]}" for index, time in enumerate(times)]
    rows.append(f"{times[-1] + 0.01:.9f},{words[1]}")
    capture = write(tmp_path / "a.csv", "Time[s],RX\n" + "\n".join(rows) + "\n")
    assert capture.channels[0].kind is ChannelKind.LOGIC
    assert "a row a change" in capture.channels[0].taken_for
    check_text(capture)


def test_numbers_in_quotation_marks_with_a_decimal_comma_and_a_comma_between(tmp_path: Path) -> None:
    rows = [f'"{index * FS * 1e3:.3f}","{3.3 * level:.2f}"' for index, level in enumerate(levels().tolist())]
    text = "\n".join(row.replace(".", ",") for row in rows)
    capture = write(tmp_path / "a.csv", '"Time (ms)","CH1 (V)"\n' + text + "\n")
    check_text(capture)


def test_times_rounded_to_few_digits_are_still_evenly_spaced(tmp_path: Path) -> None:
    rows = "\n".join(
        f"{1 + index * FS:.5e},{3.3 * level:.2f}" for index, level in enumerate(levels().tolist())
    )
    capture = write(tmp_path / "a.csv", rows + "\n")
    assert capture.channels[0].time is not None
    assert capture.channels[0].time.interval == pytest.approx(FS, rel=1e-2)
    check_text(capture)


def test_a_gap_is_noted_and_no_frame_is_read_across_it(tmp_path: Path) -> None:
    all_levels = levels()
    at = np.arange(len(all_levels))
    keep = (at < 2000) | (at > 2600)
    rows = "\n".join(f"{index * FS:.6f},{3.3 * all_levels[index]:.2f}" for index in at[keep].tolist())
    capture = write(tmp_path / "a.csv", rows + "\n")
    assert any("gap" in note for note in capture.notes)
    found = decode(capture).channels[0]
    read = bytes(found.main.values)
    assert found.main.segment.frames.lost_in_gaps >= 1
    assert read[:6] == TEXT[:6]
    assert read[-4:] == TEXT[-4:]


def test_missing_values_and_stray_lines_are_counted(tmp_path: Path) -> None:
    rows = [f"{index * FS:.6f},{3.3 * level:.2f}" for index, level in enumerate(levels().tolist())]
    rows[100] = f"{100 * FS:.6f},nan"
    rows[200] = f"{200 * FS:.6f},"
    rows.insert(300, "--- marker ---")
    capture = write(tmp_path / "a.csv", "Time,CH1\n" + "\n".join(rows) + "\n")
    assert any("2 missing values" in note for note in capture.channels[0].notes)
    assert any("1 lines are no values" in note for note in capture.notes)
    check_text(capture)


@pytest.mark.parametrize("value", ["1e308", "-1e30", "inf", "nan"])
def test_a_number_that_can_be_no_voltage_counts_as_missing(tmp_path: Path, value: str) -> None:
    rows = "".join(f"{number * 1e-6:.6f},{2.5 + number % 2}\n" for number in range(40))
    capture = write(tmp_path / "a.csv", f"Time (s),CH1 (mV)\n{rows}0.000040,{value}\n0.000041,3.5\n")
    assert capture.channels[0].notes == ("1 missing values taken for the one before",)
    samples = capture.channels[0].samples
    assert samples is not None
    assert samples[-2:] == pytest.approx([3.5e-3, 3.5e-3])


def test_a_logic_column_that_is_none_further_down(tmp_path: Path) -> None:
    rows = [
        f"{index * FS:.6f},{0 if index < 800 else round(3.3 * level, 2)}"
        for index, level in enumerate(levels())
    ]
    capture = write(tmp_path / "a.csv", "Time,CH1\n" + "\n".join(rows) + "\n")
    assert capture.channels[0].kind is ChannelKind.VOLTAGE


def test_windows_line_ends_and_a_byte_order_mark(tmp_path: Path) -> None:
    rows = "\r\n".join(f"{index * FS:.6f},{3.3 * level:.2f}" for index, level in enumerate(levels().tolist()))
    check_text(write(tmp_path / "a.csv", rows + "\r\n", "utf-8-sig"))
    check_text(write(tmp_path / "c.csv", "Zeit (s),Spannung (V) °\r\n" + rows + "\r\n", "latin-1"))
