"""The bench's smaller parts: settings as texts, files while a path is typed, work one at a time, the desk."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.bench.decoding import DecodeOptions, decode, decode_capture
from profiles.bench.readers.opening import read_capture
from profiles.errors import BadValue, FileUnreadable
from profiles.frames import BitOrder, FrameFormat, Parity
from tests.tui.bench_lines import BIT, POWER_ON, STANDBY, write_logic, write_voltage
from tui.bench_desk import BenchDesk, lay_over, read_and_decode
from tui.bench_files import candidates, completed
from tui.bench_settings import joined_gap, read_options, readings, texts_of, with_reading
from tui.bench_work import Ended, Turn, Turns

EXAMPLES = Path(__file__).parents[1] / "data" / "captures"

formats = st.builds(
    FrameFormat, st.integers(5, 9), st.sampled_from(list(Parity)), st.sampled_from([1.0, 1.5, 2.0])
)
options = st.builds(
    DecodeOptions,
    baud=st.none() | st.integers(50, 10**6).map(float),
    frame=st.none() | formats,
    idle_high=st.none() | st.booleans(),
    bit_order=st.none() | st.sampled_from(list(BitOrder)),
    threshold=st.none() | st.integers(-500, 500).map(lambda n: n / 100),
    hysteresis=st.none() | st.integers(1, 500).map(lambda n: n / 100),
    burst_gap_bits=st.integers(1, 1000).map(float),
    sample_interval=st.none() | st.integers(1, 1000).map(lambda n: n / 10**6),
)


@given(options)
def test_settings_as_texts_are_read_back_as_they_were(given_options: DecodeOptions) -> None:
    assert read_options(texts_of(given_options)) == given_options


def test_nothing_given_is_all_to_be_found() -> None:
    assert read_options({}) == DecodeOptions()


@pytest.mark.parametrize(
    ("name", "text", "part"),
    [
        ("baud", "fast", "baud: 'fast' is no number"),
        ("baud", "-4800", "baud can't be -4800"),
        ("baud", "nan", "baud can't be nan"),
        ("frame", "8Q1", "'8Q1' is no frame format"),
        ("idle", "up", "write high or low"),
        ("order", "big", "write lsb or msb"),
        ("threshold", "half", "threshold: 'half'"),
        ("gap", "0", "burst gap can't be 0"),
        ("interval", "5 parsecs", "'5 parsecs' is no time"),
    ],
)
def test_what_can_not_be_is_said_in_words(name: str, text: str, part: str) -> None:
    with pytest.raises(BadValue) as caught:
        read_options({name: text})
    assert part in str(caught.value)


@pytest.mark.parametrize(
    ("text", "seconds"), [("2us", 2e-6), ("10 µs", 1e-5), ("0,5 ms", 5e-4), ("1e-6", 1e-6)]
)
def test_the_time_of_a_row_has_units(text: str, seconds: float) -> None:
    assert read_options({"interval": text}).sample_interval == pytest.approx(seconds)


def test_a_beginning_of_a_word_is_enough() -> None:
    given_options = read_options({"idle": "L", "order": "m"})
    assert (given_options.idle_high, given_options.bit_order) == (False, BitOrder.MSB)


def test_a_line_can_be_read_as_what_fits_as_well() -> None:
    channel = decode_capture(EXAMPLES / "power-on_1.csv").channels[0]
    told = readings(channel)
    assert told[0][0] == "found"
    number = next(key for key, words in told if " 9N1" in words)
    chosen = with_reading(DecodeOptions(threshold=1.0), channel, number)
    assert (chosen.baud, str(chosen.frame), chosen.idle_high, chosen.threshold) == (4800, "9N1", True, 1.0)
    assert with_reading(chosen, channel, "found") == DecodeOptions(threshold=1.0)


def test_a_joined_gap_is_just_longer_than_the_idle_line() -> None:
    gap = joined_gap(20.3 * BIT, BIT)
    assert 20.3 < gap < 25


def test_files_that_may_be_captures_come_first(tmp_path: Path) -> None:
    for name in ("zebra.csv", "Alpha.CSV", "notes.md", ".hidden.csv", "wave.vcd"):
        (tmp_path / name).write_text("x")
    (tmp_path / "captures").mkdir()
    names = [each.name for each in candidates("", tmp_path)]
    assert names == ["Alpha.CSV", "wave.vcd", "zebra.csv", "notes.md", "captures/"]
    assert [each.name for each in candidates(".h", tmp_path)] == [".hidden.csv"]
    assert candidates("nowhere/x", tmp_path) == []


def test_a_path_is_completed_as_far_as_is_certain(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    folder.mkdir()
    for name in ("power-on_1.csv", "power-on_2.csv", "standby_1.csv"):
        (folder / name).write_text("x")
    assert completed("be", tmp_path) == "bench/"
    assert completed("bench/p", tmp_path) == "bench/power-on_"
    assert completed("bench/s", tmp_path) == "bench/standby_1.csv"
    assert completed("bench/q", tmp_path) == "bench/q"


def turn(key: str, told: list[str], work: str = "") -> Turn:
    return Turn(key, key, lambda _turn: work, lambda result: told.append(f"{key} {result}"), told.append)


def test_work_has_its_turn_one_after_the_other() -> None:
    told: list[str] = []
    turns = Turns()
    turns.ask(turn("a", told, "1"))
    turns.ask(turn("b", told, "2"))
    first = turns.next()
    assert first is not None
    assert turns.next() is None, "one at a time"
    first.run()
    turns.over(first)
    first.settle()
    second = turns.next()
    assert second is not None
    second.run()
    turns.over(second)
    second.settle()
    assert told == ["a 1", "b 2"]
    assert not turns.busy


def test_what_is_asked_anew_takes_the_place_of_what_runs_and_what_waits() -> None:
    told: list[str] = []
    turns = Turns()
    turns.ask(turn("a", told, "old"))
    running = turns.next()
    turns.ask(turn("a", told, "newer"))
    turns.ask(turn("a", told, "newest"))
    assert running is not None
    assert running.ended
    with pytest.raises(Ended):
        running.tell("half")
    running.run()
    turns.over(running)
    running.settle()
    last = turns.next()
    assert last is not None
    last.run()
    last.settle()
    assert told == ["a newest"]


def test_a_fault_in_a_thread_is_told_and_not_lost() -> None:
    told: list[str] = []
    broken = Turn("x", "x", lambda _turn: 1 / 0, lambda _result: None, told.append)
    broken.run()
    broken.settle()
    assert told == ["a fault of Linewarden: ZeroDivisionError('division by zero')"]
    assert isinstance(broken.fault, ZeroDivisionError)


def place(desk: BenchDesk) -> tuple[int | None, bool, bool]:
    """Which byte is read, whether its strip has two lines, and whether a line is laid over it."""
    assert desk.reader is not None
    return desk.reader.byte, desk.reader.slots.other is not None, desk.laid is not None


def put(desk: BenchDesk, path: Path) -> None:
    capture = desk.put(path)
    desk.was_decoded(capture, *read_and_decode(capture, capture.options, turn("x", [])))


def test_lines_of_several_captures_and_which_is_read(tmp_path: Path) -> None:
    desk = BenchDesk()
    assert not desk.lines
    put(
        desk,
        write_voltage(tmp_path / "two.csv", {"CH1": ([POWER_ON] * 2, 0.0), "CH2": ([POWER_ON] * 2, 0.004)}),
    )
    put(desk, write_logic(tmp_path / "one.csv", [STANDBY] * 2))
    assert [line.label for line in desk.lines] == ["two CH1", "two CH2", "one"]
    assert desk.line is not None
    assert desk.line.label == "one"
    desk.choose(desk.lines[1])
    assert desk.reader is not None
    desk.reader.go(3)
    desk.choose(desk.lines[2])
    desk.choose(desk.lines[1])
    assert desk.reader.place == 3, "each line keeps its place"
    desk.put(tmp_path / "one.csv")
    assert len(desk.captures) == 2
    assert desk.line.label == "one", "opened again, it is brought into sight"
    desk.take_away(desk.line.capture)
    assert [line.label for line in desk.lines] == ["two CH1", "two CH2"]


def test_decoded_anew_one_reads_on_at_the_same_instant(tmp_path: Path) -> None:
    desk = BenchDesk()
    put(desk, write_logic(tmp_path / "one.csv", [POWER_ON, STANDBY], inside=2.0))
    assert desk.reader is not None
    desk.reader.go(5)
    before = desk.reader.shown.span(5)[0]
    capture = desk.captures[0]
    capture.options = DecodeOptions(baud=4800, frame=FrameFormat(), burst_gap_bits=500)
    desk.was_decoded(capture, *read_and_decode(capture, capture.options, turn("x", [])))
    assert desk.reader.byte == 5
    assert desk.reader.shown.span(5)[0] == pytest.approx(before, rel=1e-6)
    assert desk.reader.shown.burst_starts == [0]


def test_a_capture_is_read_again_only_where_its_times_are_given(tmp_path: Path) -> None:
    path = write_logic(tmp_path / "one.csv", [POWER_ON] * 2)
    desk = BenchDesk()
    put(desk, path)
    capture = desk.captures[0]
    raw = capture.capture
    path.write_text("gone")
    again, _ = read_and_decode(capture, DecodeOptions(baud=4800), turn("x", []))
    assert again is raw
    with pytest.raises(FileUnreadable):
        read_and_decode(capture, DecodeOptions(sample_interval=1e-6), turn("x", []))


def test_laid_over_and_taken_off_again(tmp_path: Path) -> None:
    desk = BenchDesk()
    put(desk, write_logic(tmp_path / "replay.csv", [POWER_ON, STANDBY]))
    put(desk, write_logic(tmp_path / "original.csv", [POWER_ON, POWER_ON]))
    line, (other,) = desk.line, desk.others
    assert line is not None
    assert desk.reader is not None
    desk.reader.go(5)
    laid = lay_over(line, other)
    assert laid is not None
    desk.lay(laid)
    assert place(desk) == (5, True, True)
    desk.lift()
    assert place(desk) == (5, False, False)
    desk.lay(laid)
    desk.choose(other)
    assert place(desk) == (0, False, False)


def test_progress_is_told_while_a_capture_is_read(tmp_path: Path) -> None:
    path = write_voltage(tmp_path / "v.csv", {"CH1": ([POWER_ON] * 3, 0.0)})
    told: list[str] = []

    class Told(Turn):
        def tell(self, words: str) -> None:
            told.append(words)

    desk = BenchDesk()
    capture = desk.put(path)
    read_and_decode(
        capture, capture.options, Told("x", "x", lambda _turn: None, lambda _r: None, told.append)
    )
    assert "reading" in told
    assert any(words.startswith("reading, 100 %") for words in told)
    assert "finding the line, channel 1 of 1" in told
    assert decode(read_capture(path)).channels[0].name == "CH1"
