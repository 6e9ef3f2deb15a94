"""What others say, on a screen and in a file: nothing of it steers anything, and none of it is too wide.

Which characters steer a terminal: the controls of ISO/IEC 6429 (C0, C1) and the marks of direction of UAX 9;
halves of characters (Unicode, chapter 3.8) can be written nowhere at all.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records import Direction, Traffic
from tests.tui.steering import check_no_steering
from tui.exporting import export_sayings
from tui.looks import Looks
from tui.saying_text import saying_text, saying_times
from tui.telling import clock_time, plain, traffic_line
from tui.traffic_store import TrafficStore

LOOKS = Looks(dark=True)
NASTY = ["\x1b[2J", "\x9b31m", "\x07", "\u202egnirts", "\udcff", "\ud83d", "a\r\nb", "x" * 500, "漢" * 90]

texts = st.text(max_size=40) | st.sampled_from(NASTY) | st.text(alphabet="\x1b\x9b\ud800\u2066a", max_size=9)


def heard(meaning: str | None, fault: str | None) -> Traffic:
    return Traffic("hall", 1.8e9, Direction.HEARD, b"\xa5\x01", None, meaning, fault=fault)


@given(texts)
def test_nothing_in_a_plain_text_steers_a_terminal(text: str) -> None:
    check_no_steering(plain(text))
    shown = plain(text, lines=True)
    check_no_steering(shown, lines=True)
    assert len(shown) == len(text)


@given(texts, texts)
def test_a_row_of_traffic_is_as_wide_as_it_is_to_be_whatever_it_says(meaning: str, fault: str) -> None:
    store = TrafficStore()
    record = heard(meaning or None, fault or None)
    store.add(record)
    for width in (40, 80, 140):
        row = saying_text(store[0], width, LOOKS, bus_width=8, after=0.25)
        assert row.cell_len <= width
        check_no_steering(row.plain)
    check_no_steering(saying_times(store[0], None))
    check_no_steering(traffic_line(record))


@given(st.floats() | st.sampled_from([1e308, -1e308, 1e18, 0.0, 1.8e9]), st.booleans())
def test_an_instant_is_told_in_so_many_signs_whatever_it_is(at: float, date: bool) -> None:
    shown = clock_time(at, date=date)
    assert len(shown) >= (23 if date else 12)
    assert shown[-4] == "."


@pytest.mark.parametrize("text", [*NASTY, '=HYPERLINK("x")', "@x", "-1"])
@pytest.mark.parametrize("name", ["traffic.csv", "traffic.jsonl"])
def test_what_others_say_can_be_written_to_a_file_and_is_no_formula(
    tmp_path: Path, name: str, text: str
) -> None:
    store = TrafficStore()
    store.add(heard(text, text))
    path = tmp_path / name
    assert export_sayings(path, [store[0]]) == 1
    written = path.read_text(encoding="utf-8")
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as file:
            _, row = csv.reader(file)
        assert not any(cell[:1] in tuple("=+-@") for cell in row if cell)
    else:
        assert json.loads(written)["fault"] == text.encode("utf-8", "replace").decode()
