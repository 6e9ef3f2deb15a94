"""A site that can't be asked, as the units screen draws it."""

from __future__ import annotations

from controller.records import Direction, Event, Traffic
from tests.tui.test_painting import LOOKS, hall, painted
from tui.model import AWAY, HERE
from tui.saying_text import saying_text
from tui.traffic_store import TrafficStore


def test_of_a_site_that_is_away_neither_a_broken_ring_nor_a_whole_one_is_drawn() -> None:
    model = hall(1)
    model.apply([Event("hall", None, AWAY, 1.0, {"why": "its controller is lost"})])
    lines = painted(model)
    assert "its controller is lost" in lines[0]
    assert lines[1].startswith(" ┆")
    assert not any("back to the adapter" in line or "the ring is open" in line for line in lines)
    model.apply([Event("hall", None, HERE, 2.0)])
    assert "its controller is lost" not in painted(model)[0]


def test_a_local_controller_that_is_gone_is_no_adapter_that_is_gone() -> None:
    model = hall(1)
    model.link_lost(5.0)
    assert "controller is out of reach" in painted(model)[0]
    assert "adapter" not in "".join(painted(model))


def test_the_buses_of_two_sites_are_told_apart_in_the_traffic() -> None:
    store = TrafficStore()
    for site in ("larkfield-hall", "mill-house"):
        for bus in ("sound", "lights"):
            store.add(Traffic(f"{site}/{bus}", 1.0, Direction.HEARD, b"\x01"))
    names = [saying_text(store[row], 80, LOOKS, bus_width=16).plain[3:19] for row in range(4)]
    assert names[0] == "…ield-hall/sound"
    assert names[2] == "mill-house/sound"
    assert len(set(names)) == 4
