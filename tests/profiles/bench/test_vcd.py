"""Value change dumps, held against the standard's rules and a widely printed example."""

from __future__ import annotations

from pathlib import Path

import pytest

from profiles.bench.capture import Capture
from profiles.bench.decoding import decode
from profiles.bench.readers.opening import read_capture
from profiles.errors import FileUnreadable

# MIDI note on 90 3C 40 at 31,250 baud (a bit is 32 us): several changes on one line, which IEEE 1364 allows.
MIDI = """$timescale 1 us $end
$scope module line $end
$var wire 1 ! rx $end
$upscope $end
$enddefinitions $end
#0 $dumpvars 1! $end
#1000 0! #1160 1! #1192 0! #1256 1! #1320 0! #1416 1! #1544 0! #1608 1! #1640 0! #1864 1! #1896 0! #1928 1!
#3000
"""

# The example of Wikipedia's page "Value change dump", abridged to its end.
PRINTED = """$date Date text. For example: November 11, 2009. $end
$version VCD generator tool version info text. $end
$comment Any comment text. $end
$timescale 1ps $end
$scope module logic $end
$var wire 8 # data $end
$var wire 1 $ data_valid $end
$var wire 1 % en $end
$var wire 1 & rx_en $end
$var wire 1 ' tx_en $end
$var wire 1 ( empty $end
$var wire 1 ) underrun $end
$upscope $end
$enddefinitions $end
$dumpvars
bxxxxxxxx #
x$
0%
x&
x'
1(
0)
$end
#0
b10000001 #
0$
1%
#2211
0'
#2296
b0 #
1$
#2302
0$
#2303
"""


def write(path: Path, text: str) -> Capture:
    path.write_text(text, encoding="latin-1")
    return read_capture(path)


def test_several_changes_on_a_line(tmp_path: Path) -> None:
    capture = write(tmp_path / "midi.vcd", MIDI)
    channel = capture.channels[0]
    assert channel.name == "line.rx"
    assert channel.logic is not None
    assert channel.logic.tick == 1e-6
    assert channel.logic.first_level == 1
    assert channel.logic.ticks.tolist() == [
        1000, 1160, 1192, 1256, 1320, 1416, 1544, 1608, 1640, 1864, 1896, 1928,
    ]  # fmt: skip
    assert channel.logic.end == 3000


def test_the_printed_example(tmp_path: Path) -> None:
    capture = write(tmp_path / "logic.vcd", PRINTED)
    edges = {channel.name: channel.logic for channel in capture.channels}
    assert sorted(edges) == [
        "logic.data_valid", "logic.empty", "logic.en", "logic.rx_en", "logic.tx_en", "logic.underrun",
    ]  # fmt: skip
    valid = edges["logic.data_valid"]
    assert valid is not None
    # The identifier code "$" is a legal one, and no keyword.
    assert valid.ticks.tolist() == [2296, 2302]
    assert valid.first_level == 0
    enabled = edges["logic.en"]
    assert enabled is not None
    assert enabled.ticks.tolist() == [0]
    assert any("logic.data" in note for note in capture.notes)


@pytest.mark.parametrize(
    ("scale", "seconds"),
    [("1 s", 1.0), ("10ms", 1e-2), ("100 us", 1e-4), ("1ns", 1e-9), ("10 ps", 1e-11), ("1fs", 1e-15)],
)
def test_every_timescale(tmp_path: Path, scale: str, seconds: float) -> None:
    capture = write(tmp_path / "a.vcd", MIDI.replace("1 us", scale))
    assert capture.channels[0].logic is not None
    assert capture.channels[0].logic.tick == pytest.approx(seconds)


def test_nested_scopes_long_codes_and_aliases(tmp_path: Path) -> None:
    text = (
        "$timescale 1 ns $end $scope module top $end $scope begin inner $end "
        "$var reg 1 ab1 first $end $var reg 1 b1 second [0] $end $upscope $end "
        "$var wire 1 ab1 again $end $upscope $end $enddefinitions $end\n"
        "#0\n0ab1\n1b1\n#5\n1ab1\n#7\nb0 b1\n#9\n"
    )
    capture = write(tmp_path / "a.vcd", text)
    by_name = {channel.name: channel for channel in capture.channels}
    assert set(by_name) == {"top.inner.first", "top.inner.second[0]"}
    assert "top.again" in by_name["top.inner.first"].notes[0]
    first, second = by_name["top.inner.first"].logic, by_name["top.inner.second[0]"].logic
    assert first is not None
    assert second is not None
    assert first.ticks.tolist() == [5]
    assert second.ticks.tolist() == [7]


def test_comments_dump_blocks_and_undefined_values(tmp_path: Path) -> None:
    text = MIDI.replace("#1320", "$comment 1! #99 is no change $end $dumpoff x! $end #1320").replace(
        "#3000", "#2900 z! #3000"
    )
    capture = write(tmp_path / "a.vcd", text)
    plain = write(tmp_path / "b.vcd", MIDI)
    assert capture.channels[0].logic is not None
    assert plain.channels[0].logic is not None
    assert capture.channels[0].logic.ticks.tolist() == plain.channels[0].logic.ticks.tolist()
    assert any("x or z" in note for note in capture.channels[0].notes)


def test_blocks_may_end_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = write(tmp_path / "a.vcd", PRINTED)
    for size in (7, 16, 33, 64):
        monkeypatch.setattr("profiles.bench.readers.vcd._BLOCK", size)
        again = read_capture(tmp_path / "a.vcd")
        for one, other in zip(whole.channels, again.channels, strict=True):
            assert one.logic is not None
            assert other.logic is not None
            assert one.logic.ticks.tolist() == other.logic.ticks.tolist(), (size, one.name)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (MIDI[:60], "before \\$enddefinitions"),
        (MIDI.replace("$timescale 1 us $end", ""), "no \\$timescale"),
        (MIDI.replace("1 us", "3 us"), "no timescale"),
        (MIDI.replace("wire 1 !", "wire 8 !"), "no variable of one bit"),
        (MIDI.replace("#1192", "#992"), "time runs backwards"),
        (MIDI.replace("#1192", "#11x2"), "no whole number"),
    ],
)
def test_faults(tmp_path: Path, text: str, reason: str) -> None:
    with pytest.raises(FileUnreadable, match=reason):
        write(tmp_path / "a.vcd", text)


def test_codes_that_can_not_be_told_apart_are_refused_and_long_ones_are_not(tmp_path: Path) -> None:
    text = (
        "$timescale 1 us $end $var wire 1 {} a $end $var wire 1 {} b $end $enddefinitions $end #0 1{} #5 0{}"
    )
    path = tmp_path / "a.vcd"
    path.write_text(text.format("one_12345678", "two_12345678", "one_12345678", "one_12345678"))
    with pytest.raises(FileUnreadable, match="same eight characters"):
        read_capture(path)
    path.write_text(text.format("line_12345678", "line_12345679", "line_12345678", "line_12345678"))
    a, b = read_capture(path).channels
    assert (len(a.edges()[0]), len(b.edges()[0])) == (1, 0)


def test_a_dump_cut_off_in_a_block_keeps_what_is_whole(tmp_path: Path) -> None:
    capture = write(tmp_path / "a.vcd", MIDI[: MIDI.index("#1864")])
    assert capture.channels[0].logic is not None
    assert capture.channels[0].logic.ticks[-1] == 1640
    assert len(decode(capture).channels) == 1
