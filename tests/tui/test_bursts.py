"""A burst is what is made an action of: all deliveries that it came in, and nothing known beside it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records import Direction, Traffic
from tests.tui.dashboard_bench import Bench, bench
from tui.bursts import burst_rows, joined, strange_part
from tui.messages import RecordsCame
from tui.screens.profile_adding import ProfileForm
from tui.screens.traffic import TrafficScreen
from tui.traffic_store import Tick, TrafficStore
from tui.widgets.bits_panel import BitsPanel
from tui.widgets.traffic_view import TrafficView

FRAME = 10 / 4800  # 8N1: a start bit, eight data bits, a stop bit
GAP = 0.040


def heard(at: float, data: str, *, bus: str = "sound", meaning: str | None = None) -> Traffic:
    raw = bytes.fromhex(data)
    unexplained = () if meaning else ((0, len(raw)),)
    return Traffic(bus, at, Direction.HEARD, raw, None, meaning, unexplained=unexplained)


def store_of(*records: Traffic) -> TrafficStore:
    store = TrafficStore()
    for record in records:
        store.add(record)
    return store


def test_deliveries_of_one_burst_belong_together_and_others_do_not() -> None:
    store = store_of(
        heard(1.000, "11"),
        heard(2.000, "A7 01"),
        heard(2.001, "FF", bus="screen"),
        heard(2.000 + GAP + 2 * FRAME - 0.001, "02 03"),
        heard(2.000 + 2 * GAP + 3 * FRAME, "04", meaning="power-on → mixer"),
        heard(2.000 + 2 * GAP + 4 * FRAME, "05"),
    )
    for row in (1, 3):
        assert burst_rows(store, row, GAP, FRAME) == [1, 3]
    whole = joined([store[row] for row in (1, 3)])
    assert bytes(whole.data) == bytes.fromhex("A7 01 02 03")
    assert (whole.began, whole.at) == (2.0, store[3].at)
    assert len(whole.ticks) == len(whole.lags) == 4
    assert burst_rows(store, 0, GAP, FRAME) == [0]
    assert burst_rows(store, 4, GAP, FRAME) == [4]
    assert burst_rows(store, 5, GAP, FRAME) == [5]


def test_each_byte_that_nothing_explains_has_its_sign_and_they_alone_are_to_be_learned() -> None:
    record = Traffic(
        "sound",
        1.0,
        Direction.HEARD,
        bytes.fromhex("A5 02 01 03 F0 0F 99"),
        None,
        "power-on → hall-amp",
        unexplained=((4, 7),),
    )
    saying = store_of(record)[0]
    assert list(saying.ticks) == [Tick.NONE] * 4 + [Tick.STRANGE] * 3
    assert strange_part(saying) == bytes.fromhex("F0 0F 99")
    known = store_of(heard(1.0, "A5 02", meaning="known"))[0]
    assert strange_part(known) == bytes.fromhex("A5 02")


def test_a_half_message_that_comes_to_nothing_is_strange_from_its_beginning() -> None:
    half = Traffic("sound", 1.0, Direction.HEARD, b"\xa5\x02")
    rest = Traffic("sound", 1.1, Direction.HEARD, b"\x77", unexplained=((0, 1),))
    assert list(store_of(half, rest)[0].ticks) == [Tick.STRANGE] * 3


@given(st.lists(st.tuples(st.booleans(), st.binary(min_size=1, max_size=4)), min_size=1, max_size=12))
def test_a_burst_is_its_bytes_in_order(pieces: list[tuple[bool, bytes]]) -> None:
    at, records = 0.0, []
    for apart, data in pieces:
        at += len(data) * FRAME + (GAP * 3 if apart else GAP / 3)
        records.append(heard(at, data.hex()))
    store = store_of(*records)
    seen: list[bytes] = []
    row = 0
    while row < len(store):
        rows = burst_rows(store, row, GAP, FRAME)
        assert rows == list(range(row, row + len(rows)))
        assert all(burst_rows(store, each, GAP, FRAME) == rows for each in rows)
        seen.append(bytes(joined([store[each] for each in rows]).data))
        row += len(rows)
    assert b"".join(seen) == b"".join(data for _, data in pieces)
    assert len(seen) == 1 + sum(apart for apart, _ in pieces[1:])


async def said(b: Bench, *records: Traffic) -> TrafficView:
    await b.press("f3")
    await b.until(lambda: isinstance(b.app.screen, TrafficScreen))
    b.app.post_message(RecordsCame(list(records)))
    view = b.app.screen.query_one(TrafficView)
    await b.until(lambda: view.shown == len(b.app.traffic) and view.shown >= len(records))
    return view


@pytest.mark.parametrize(
    ("key", "head"),
    [("a", "A new action"), pytest.param("o", "A new observation", marks=pytest.mark.slow)],
)
async def test_a_burst_in_two_deliveries_is_drawn_and_drafted_whole(
    key: str, head: str, tmp_path: Path
) -> None:
    async with bench(tmp_path, size=(100, 30)) as b:
        await said(b, heard(1000.0, "A7 01"), heard(1000.0 + 3 * FRAME, "02 03"))
        await b.press("enter")
        await b.until(lambda: b.app.screen.query_one(BitsPanel).display)
        assert "1-4 of 4" in b.text("#bits")
        await b.press(key)
        await b.until(lambda: isinstance(b.app.screen, ProfileForm))
        shown = " ".join(str(each.render()) for each in b.app.screen.query("Static"))
        assert head in shown
        assert "A7 01 02 03" in shown


@pytest.mark.slow
async def test_rows_are_selected_together_and_exported_alone(tmp_path: Path) -> None:
    async with bench(tmp_path, size=(100, 30)) as b:
        records = [heard(1000.0 + n, f"{n:02X}") for n in range(5)]
        view = await said(b, *records)
        await b.press("up", "m", "up", "shift+up")
        await b.until(lambda: "3 selected" in b.text("#figures"))
        assert list(view.chosen) == [1, 2, 3]
        await b.press("e")
        await b.until(lambda: b.app.screen.query("Input"))
        b.app.screen.query("Input").last().value = str(tmp_path / "three.csv")  # type: ignore[attr-defined]  # -- an Input
        await b.press("enter")
        await b.until((tmp_path / "three.csv").exists)
        rows = (tmp_path / "three.csv").read_text().splitlines()[1:]
        assert [row.split(",")[4] for row in rows] == ["01", "02", "03"]
        await b.press("escape")
        await b.until(lambda: "selected" not in b.text("#figures"))
        assert len(view.chosen) == 1
