"""A site that can't be asked, as the units screen draws it."""

from __future__ import annotations

from controller.records import Event
from tests.tui.test_painting import hall, painted
from tui.model import AWAY, HERE


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
