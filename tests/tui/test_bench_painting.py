"""The bench's pictures as text: the strip, the ink and what stands below it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.text import Text

from profiles.bench.decoding import DecodeOptions, decode_capture
from profiles.frames import FrameFormat
from tests.tui.bench_lines import BIT, POWER_ON, STANDBY, compared, damaged, read_logic, write_voltage
from tui.bench_model import Reader
from tui.bench_opening import open_up
from tui.bench_painting import StripPainter, beside, caption_line, columns_for, opened_lines
from tui.bench_reading import Reading, Slots
from tui.bench_telling import answer, comparison_evidence, comparison_words, evidence
from tui.looks import Looks
from tui.telling import plain

LOOKS = Looks(dark=True)


def strip(reader: Reader, width: int = 80, *, letters: bool = False) -> list[str]:
    painter = StripPainter(reader.slots, letters=letters)
    rows = painter.rows(width)
    lines = [
        painter.line(rows, number, part, reader, width, LOOKS)
        for number in range(len(rows))
        for part in range(painter.lines)
    ]
    assert all(line.cell_len <= width for line in lines)
    return [line.plain.rstrip() for line in lines]


def ink(reader: Reader, width: int = 80, height: int = 8) -> list[str]:
    lines = opened_lines(open_up(reader, columns_for(width)), width, height, LOOKS)
    assert len(lines) == height
    assert all(line.cell_len <= width for line in lines)
    return [line.plain for line in lines]


def test_each_burst_is_a_line_of_text_with_its_time(tmp_path: Path) -> None:
    reader = Reader(Slots(read_logic(tmp_path / "two.csv", [POWER_ON, STANDBY], inside=3.0)))
    lines = strip(reader)
    assert lines[0].split(" ms ")[1] == "‹A5›01·01·02"
    assert lines[1].split(" ms ")[1] == " A5·01·02·03"
    begin = reader.shown.span(4)[0]
    assert float(lines[1].split()[0]) == pytest.approx(begin * 1000, rel=1e-3)


def test_idle_line_longer_than_a_frame_shows_as_such(tmp_path: Path) -> None:
    reading = read_logic(tmp_path / "slow.csv", [POWER_ON], inside=15.0)
    assert strip(Reader(Slots(reading)))[0].endswith("‹A5›01┈01┈02")


def test_the_mark_is_seen_in_the_strip(tmp_path: Path) -> None:
    reader = Reader(Slots(read_logic(tmp_path / "one.csv", [POWER_ON])))
    reader.set_mark()
    reader.move(3)
    assert strip(reader)[0].endswith("(A5)01 01‹02›")


def test_a_long_burst_goes_on_in_the_next_line(tmp_path: Path) -> None:
    data = bytes(range(60))
    lines = strip(Reader(Slots(read_logic(tmp_path / "long.csv", [data]))))
    said = " ".join(line.split("ms ")[-1] for line in lines).replace("‹", " ").replace("›", " ")
    assert bytes.fromhex(said) == data
    assert len(lines) == 3


def test_letters_stand_below_their_bytes(tmp_path: Path) -> None:
    reader = Reader(Slots(read_logic(tmp_path / "text.csv", [b"Vol\r"])))
    bytes_line, letters = strip(reader, letters=True)
    for byte, letter in (("56", "V"), ("6F", "o"), ("6C", "l"), ("0D", "␍")):
        assert letters[bytes_line.index(byte) + 1] == letter


def test_errors_have_a_sign_and_not_only_a_colour(tmp_path: Path) -> None:
    options = DecodeOptions(baud=4800, frame=FrameFormat(), idle_high=True)
    channel = decode_capture(damaged(tmp_path / "bad.csv", POWER_ON, 2), options).channels[0]
    reader = Reader(Slots(Reading(channel)))
    assert strip(reader)[0].endswith("‹A5 ›01 ·01?·02")
    reader.go(2)
    assert "? no stop bit" in caption_line(reader, 80, LOOKS).plain


def test_the_ink_is_high_and_low_where_the_cells_are(tmp_path: Path) -> None:
    reader = Reader(Slots(read_logic(tmp_path / "one.csv", [POWER_ON], inside=3.0)))
    lines = ink(reader)
    high, digits, names = lines[2], lines[-2], lines[-1]
    # A5 hex, least significant bit first, start and stop bit around it (any UART data sheet).
    found = [(at, sign) for at, sign in enumerate(digits) if sign in "01"]
    assert "".join(sign for _, sign in found) == "0101001011"
    for at, sign in found:
        assert (high[at] == "█") == (sign == "1")
    assert names.split() == ["read", "as", "start", "1", "2", "3", "4", "5", "6", "7", "8", "stop"]


def test_levels_are_written_beside_the_ink(tmp_path: Path) -> None:
    path = write_voltage(tmp_path / "v.csv", {"CH1": ([POWER_ON] * 3, 0.0)})
    reader = Reader(Slots(Reading(decode_capture(path).channels[0])))
    shown = "\n".join(ink(reader))
    assert "5 V" in shown
    assert "0 V" in shown or "0.00" in shown


def test_a_wide_view_writes_the_bytes_below_the_ink(tmp_path: Path) -> None:
    reader = Reader(Slots(read_logic(tmp_path / "one.csv", [POWER_ON], inside=2.0)))
    while reader.wider():
        pass
    assert ink(reader)[-2].replace("╵", " ").split() == ["A5", "01", "01", "02"]


def test_an_edge_is_pointed_at_where_it_is(tmp_path: Path) -> None:
    reader = Reader(Slots(read_logic(tmp_path / "one.csv", [POWER_ON])))
    for _ in range(5):
        reader.closer()
    lines = ink(reader)
    at = lines[-2].index("▲")
    # To the left of a falling edge there is ink up to the top, to the right none.
    assert lines[2][at - 2] == "█"
    assert lines[2][at + 2] != "█"
    caption = caption_line(reader, 80, LOOKS).plain
    assert "↘ falls" in caption
    assert "bit late" in caption


def test_two_lines_laid_over_each_other_differ_in_texture(tmp_path: Path) -> None:
    slots = compared(tmp_path, [POWER_ON], [bytes.fromhex("A5 01 03 02")])
    reader = Reader(slots)
    assert not {"▒", "╱"} & set("".join(ink(reader)))
    reader.go(2)
    drawn = "\n".join(ink(reader)[:-2])
    # 03 has a bit more than 01: the replay alone is high there.
    assert "╱" in drawn
    assert "█" in drawn
    original, replay = strip(reader)
    assert "01≠" in original
    assert "03≠" in replay
    assert replay.lstrip().startswith("replay")
    assert "≠ 03 in the replay" in caption_line(reader, 80, LOOKS).plain


def test_a_missing_byte_is_dots_in_the_replay(tmp_path: Path) -> None:
    slots = compared(tmp_path, [POWER_ON], [POWER_ON[:1] + POWER_ON[2:]])
    _, replay = strip(Reader(slots))
    assert "··≠" in replay


def test_the_answer_tells_how_sure_it_is(tmp_path: Path) -> None:
    reading = read_logic(tmp_path / "one.csv", [POWER_ON, STANDBY])
    kind, words = answer(reading)
    assert kind == "well"
    assert words.startswith("● 4800 8N1, idle high")
    assert "8 bytes in 2 bursts" in words


def test_what_can_not_be_told_is_said_to_be_a_guess(tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    rows = [(0.0, 1), (0.1, 0), (0.1002, 1), (0.1005, 0), (0.1006, 1), (0.2, 1)]
    path.write_text("Time [s],CH1\n" + "".join(f"{at:.6f},{level}\n" for at, level in rows))
    channel = decode_capture(path).channels[0]
    assert channel.main.fit.frame is None
    kind, words = answer(Reading(channel))
    assert kind in ("care", "wrong")
    assert words[0] in "?✗"


def test_the_evidence_has_every_answer_and_what_fits_as_well(tmp_path: Path) -> None:
    path = write_voltage(
        tmp_path / "v.csv", {"CH1": ([POWER_ON] * 2, 0.0), "CH2": ([POWER_ON] * 2, 21 * BIT)}
    )
    decoding = decode_capture(path)
    told = evidence(decoding, decoding.channels[0])
    names = [name for name, _ in told]
    assert {
        "taken for",
        "levels",
        "rate",
        "idle",
        "frame",
        "stop bits",
        "bit order",
        "errors",
        "loop",
    } <= set(names)
    assert any(name == "or" for name in names) == bool(decoding.channels[0].main.fit.alternatives)


def test_a_comparison_is_told_in_a_line_and_in_full(tmp_path: Path) -> None:
    slots = compared(tmp_path, [POWER_ON], [POWER_ON], inside=4.0)
    assert slots.comparison is not None
    kind, words = comparison_words(slots.comparison)
    assert kind == "well"
    assert "dead time" in words
    told = dict(comparison_evidence(slots.comparison, BIT))
    assert "no mismatch" in told["verdict"]
    assert "0.00 ≠ 4.00 bit times" in told["idle line"]


@given(st.text(min_size=0, max_size=200), st.integers(14, 120))
def test_sentences_are_broken_to_the_width_and_lose_nothing(words: str, width: int) -> None:
    lines = beside([("name", words)], width, LOOKS)
    assert all(line.cell_len <= max(width, 27) for line in lines)
    kept = "".join(line.plain[13:] for line in lines)
    assert "".join(kept.split()) == "".join(plain(words).split())


@pytest.fixture(scope="module")
def noisy(tmp_path_factory: pytest.TempPathFactory) -> Reading:
    path = tmp_path_factory.mktemp("noisy") / "v.csv"
    write_voltage(path, {"CH1": ([POWER_ON, STANDBY] * 3, 0.0)}, noise=0.2, inside=1.0)
    return Reading(decode_capture(path).channels[0])


@settings(deadline=None, max_examples=60)
@given(
    moves=st.lists(st.sampled_from(["move", "back", "step", "closer", "wider", "mark", "end"]), max_size=25),
    width=st.integers(20, 200),
    height=st.integers(3, 22),
)
def test_whatever_is_looked_at_is_painted_within_its_room(
    noisy: Reading, moves: list[str], width: int, height: int
) -> None:
    reader = Reader(Slots(noisy))
    acts: dict[str, Callable[[], object]] = {
        "move": lambda: reader.move(1),
        "back": lambda: reader.move(-1),
        "step": lambda: reader.step(1),
        "closer": reader.closer,
        "wider": reader.wider,
        "mark": reader.set_mark,
        "end": lambda: reader.go(999),
    }
    for move in moves:
        acts[move]()
    assert len(ink(reader, width, height)) == height
    assert caption_line(reader, width, LOOKS).cell_len <= width
    assert isinstance(Text("\n").join(map(Text, strip(reader, width))), Text)
    begin, end = reader.window
    assert begin < end
