"""Control lines: what counts as a change, and that a link tells it from a port that has them."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from controller.control_lines import BUSY_EVERY, LOOK_EVERY, LineWatch
from controller.records import ControlLine, record_from_json, to_json
from controller.simulator.registry import running, stop_all
from tests.controller.line_ends import linked, settings, wait_until

ALL_OFF = {"cts": False, "dsr": False, "dcd": False, "ri": False}


@pytest.fixture(autouse=True)
def _no_lines_live_on() -> Iterator[None]:
    yield
    stop_all()


def test_how_a_line_stands_at_first_is_no_change_and_all_after_it_is() -> None:
    watch = LineWatch(frozenset(("cts", "ri")))
    assert watch.due == math.inf
    watch.opened(5.0)
    assert watch.due == 5.0
    assert watch.looked(ALL_OFF, 5.0, busy=False) == [("cts", False, True), ("ri", False, True)]
    assert watch.due == 5.0 + LOOK_EVERY
    assert watch.looked(ALL_OFF | {"cts": True, "dsr": True}, 5.1, busy=True) == [("cts", True, False)]
    assert watch.due == 5.1 + BUSY_EVERY
    assert watch.looked(ALL_OFF | {"cts": True}, 5.2, busy=False) == []


def test_after_the_port_was_away_everything_is_first_again() -> None:
    watch = LineWatch(frozenset(("dcd",)))
    watch.opened(0.0)
    watch.looked(ALL_OFF, 0.0, busy=False)
    watch.opened(9.0)
    assert watch.looked(ALL_OFF | {"dcd": True}, 9.0, busy=False) == [("dcd", True, True)]


def test_what_a_port_cant_tell_is_not_told() -> None:
    watch = LineWatch(frozenset(("cts",)))
    watch.opened(0.0)
    assert watch.looked({}, 0.0, busy=False) == []
    assert watch.looked({"cts": True}, 0.1, busy=False) == [("cts", True, True)]


def test_nothing_is_ever_looked_at_where_nobody_wants_it() -> None:
    watch = LineWatch(frozenset())
    watch.opened(3.0)
    assert watch.due == math.inf


def test_a_link_tells_the_lines_that_are_wanted_and_no_others() -> None:
    wanted = settings("sim://pellgate-chain?units=1&name=hall")
    with linked(wanted, control_lines=frozenset(("cts", "dcd"))) as (_, listener):
        assert wait_until(lambda: len(listener.lines) == 2)
        running("hall").order("line dsr on")
        running("hall").order("line cts on")
        assert wait_until(lambda: len(listener.lines) == 3)
        running("hall").order("line cts off")
        assert wait_until(lambda: len(listener.lines) == 4)
        running("hall").order("line dcd on")
        running("hall").order("unplug")
        assert wait_until(lambda: bool(listener.downs))
        running("hall").order("plug")
        assert wait_until(lambda: ("dcd", True, True) in listener.lines)
    assert listener.lines[:4] == [
        ("cts", False, True),
        ("dcd", False, True),
        ("cts", True, False),
        ("cts", False, False),
    ]
    assert not any(line in ("dsr", "ri") for line, _, _ in listener.lines)
    assert listener.threads == {"link hall"}


def test_a_record_of_a_line_goes_through_json() -> None:
    record = ControlLine("sound", "dcd", True, 12.5, first=True)
    assert record_from_json(to_json(record)) == record
