"""Traffic as rows: sayings that fill with ticks, bounded and counted, found again."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records import Direction, Outcome, Reason, Result, Traffic
from tui.traffic_store import Tick, TrafficStore, Wanted
from tui.wanted_rows import WantedRows


def sent(data: str, *, at: float = 1.0, command: str = "c", attempt: int | None = 1) -> Traffic:
    return Traffic(
        "hall",
        at,
        Direction.SENT,
        bytes.fromhex(data),
        meaning="power-on → amp",
        command_id=command,
        attempt=attempt,
    )


def echoed(data: str, *, at: float = 1.1, command: str = "c", attempt: int | None = 1) -> Traffic:
    raw = bytes.fromhex(data)
    lags = (0.01,) * len(raw)
    return Traffic(
        "hall", at, Direction.ECHOED, raw, lags, "power-on → amp", command_id=command, attempt=attempt
    )


def heard(data: str, meaning: str | None = "told", *, bus: str = "hall", at: float = 2.0) -> Traffic:
    raw = bytes.fromhex(data)
    unexplained = () if meaning else ((0, len(raw)),)
    return Traffic(bus, at, Direction.HEARD, raw, None, meaning, unexplained=unexplained)


def ticks(store: TrafficStore, row: int) -> list[Tick]:
    return [Tick(tick) for tick in store[row].ticks]


def test_sent_and_echoed_bytes_of_a_command_are_one_row() -> None:
    store = TrafficStore()
    for record in (sent("A5 01"), echoed("A5"), sent("02"), echoed("01 02")):
        store.add(record)
    assert len(store) == 1
    assert bytes(store[0].data) == bytes.fromhex("A5 01 02")
    assert ticks(store, 0) == [Tick.BACK] * 3
    store.ended(Outcome("c", Result.CONFIRMED))
    assert len(store) == 1
    assert ticks(store, 0) == [Tick.BACK] * 3
    assert not any(math.isnan(lag) for lag in store[0].lags)


def test_an_echo_that_is_told_before_its_frame_keeps_its_place() -> None:
    store = TrafficStore()
    for record in (sent("A5"), echoed("A5 01"), sent("01")):
        store.add(record)
    assert bytes(store[0].data) == bytes.fromhex("A5 01")
    assert ticks(store, 0) == [Tick.BACK, Tick.BACK]


def test_what_never_came_back_is_missing_when_the_command_is_over() -> None:
    store = TrafficStore()
    store.add(sent("A5 01"))
    store.add(echoed("A5"))
    assert ticks(store, 0) == [Tick.BACK, Tick.OUT]
    store.ended(Outcome("c", Result.FAILED, Reason.ECHO_STOPPED))
    assert ticks(store, 0) == [Tick.BACK, Tick.MISSING]
    assert store[0].fault == "echo-stopped"


def test_on_an_open_line_nothing_is_missing() -> None:
    store = TrafficStore()
    store.add(sent("C0 05"))
    store.ended(Outcome("c", Result.SENT))
    assert ticks(store, 0) == [Tick.OUT, Tick.OUT]


def test_each_attempt_is_a_row() -> None:
    store = TrafficStore()
    store.add(sent("A5", attempt=1))
    store.add(sent("A5", attempt=2, at=1.4))
    store.add(echoed("A5", attempt=2, at=1.5))
    assert len(store) == 2
    assert ticks(store, 0) == [Tick.MISSING]
    assert ticks(store, 1) == [Tick.BACK]
    assert [store[row].attempt for row in (0, 1)] == [1, 2]


def test_a_message_that_comes_in_pieces_is_one_row() -> None:
    store = TrafficStore()
    store.add(Traffic("hall", 1.0, Direction.HEARD, b"\xa6\x01"))
    store.add(Traffic("hall", 1.1, Direction.HEARD, b"\x50", None, "told"))
    assert len(store) == 1
    assert bytes(store[0].data) == b"\xa6\x01\x50"
    assert store[0].meaning == "told"


def test_unexplained_bytes_are_marked() -> None:
    store = TrafficStore()
    store.add(heard("FF", None))
    assert store[0].unexplained


def test_rows_are_let_go_and_counted_when_the_store_is_full() -> None:
    store = TrafficStore(most=100)
    for number in range(250):
        store.add(heard(f"{number % 256:02X}", f"told {number}", at=float(number)))
    assert len(store) <= 100
    assert store.dropped + len(store) == 250
    assert store[len(store) - 1].meaning == "told 249"
    assert store[0].meaning == f"told {store.dropped}"
    assert store[0].data == bytes((store.dropped % 256,))


@pytest.mark.parametrize(
    ("wanted", "rows"),
    [
        (Wanted(), [0, 1, 2, 3]),
        (Wanted(bus="stage"), [1]),
        (Wanted(words="VOLUME"), [0, 2]),
        (Wanted(words="a6 01"), [0, 3]),
        (Wanted(bus="hall", words="volume"), [0, 2]),
        (Wanted(bus="none"), []),
        (Wanted(words="nothing of the kind"), []),
    ],
)
def test_finding(wanted: Wanted, rows: list[int]) -> None:
    store = TrafficStore()
    store.add(heard("A6 01 05", "volume 5"))
    store.add(heard("A6 02", "power", bus="stage"))
    store.add(heard("A5", "volume 6"))
    store.add(heard("00 A6 01", "power"))
    found = [row for part in store.find(wanted, slice_rows=3) for row in part]
    assert sorted(found) == rows
    assert found == sorted(found, reverse=True)
    assert [row for row in range(4) if store.fits(row, wanted)] == rows


@given(
    pieces=st.lists(
        st.tuples(
            st.binary(min_size=1, max_size=5), st.sampled_from(["a", "b"]), st.sampled_from(["x", "y"])
        ),
        max_size=40,
    ),
    words=st.sampled_from(["", "x", "y", "00", "z"]),
    bus=st.sampled_from(["", "a", "b", "c"]),
    slice_rows=st.integers(1, 7),
)
def test_slices_find_what_looking_at_every_row_finds(
    pieces: list[tuple[bytes, str, str]], words: str, bus: str, slice_rows: int
) -> None:
    store = TrafficStore(most=30)
    for data, name, meaning in pieces:
        store.add(Traffic(name, 0.0, Direction.HEARD, data, None, meaning))
    wanted = Wanted(bus, words)
    found = sorted(row for part in store.find(wanted, slice_rows=slice_rows) for row in part)
    assert found == [row for row in range(len(store)) if store.fits(row, wanted)]


def test_going_to_a_time() -> None:
    store = TrafficStore()
    for second in range(10):
        store.add(heard("01", at=float(second)))
    assert store.row_at(4.5) == 5
    assert store.row_at(-1.0) == 0
    assert store.row_at(100.0) == 10


@given(st.lists(st.sampled_from(["power-on → mixer", "volume 3", ""]), max_size=60), st.integers(1, 20))
def test_what_a_filter_shows_is_what_fits_however_the_rows_came(meanings: list[str], before: int) -> None:
    """Those that were there are looked for backwards, those that come are added: both ends grow."""
    store = TrafficStore()
    for n, meaning in enumerate(meanings[:before]):
        store.add(heard(f"{n:02X}", meaning or None, at=float(n)))
    rows = WantedRows(store)
    rows.want(Wanted("", "VOLUME"))
    for n, meaning in enumerate(meanings[before:], before):
        store.add(heard(f"{n:02X}", meaning or None, at=float(n)))
        rows.rows(len(store))
    rows.search_while(lambda: True)
    found = rows.rows(len(store))
    assert found is not None
    assert list(found) == [n for n, meaning in enumerate(meanings) if "volume" in meaning]
    assert found[:2] == list(found)[:2]
    assert not rows.searching


def test_rows_that_are_let_go_begin_the_search_anew() -> None:
    store = TrafficStore(most=100)
    for n in range(100):
        store.add(heard(f"{n:02X}", f"volume {n}", at=float(n)))
    rows = WantedRows(store)
    rows.want(Wanted("", "volume"))
    store.add(heard("64", "volume 100", at=100.0))
    assert store.dropped == 10
    rows.search_while(lambda: True)
    found = rows.rows(len(store))
    assert found is not None
    assert [store[row].meaning for row in found] == [f"volume {n}" for n in range(10, 101)]
