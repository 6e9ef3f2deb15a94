"""A controller's health in figures that don't change with every entry."""

from __future__ import annotations

import pytest

from controller.health import links, rounded
from controller.records import BusStatus, LinkState

MB = 1 << 20


@pytest.mark.parametrize(
    ("count", "told"),
    [
        (None, None),
        (0, 0),
        (7 * MB, 7),
        (64 * MB, 64),
        (123 * MB, 120),
        (999 * MB, 990),
        (51_234 * MB, 51_000),
    ],
)
def test_free_space_is_told_in_two_digits(count: int | None, told: int | None) -> None:
    assert rounded(count) == told


def test_a_bus_that_does_not_move_is_stuck_whatever_its_link_says() -> None:
    buses = [
        BusStatus("a", LinkState.UP, 1.0),
        BusStatus("b", LinkState.UP, 1.0),
        BusStatus("c", LinkState.DOWN, 1.0),
    ]
    assert links(buses, {"b": "gave no sign"}) == {"a": "up", "b": "stuck", "c": "down"}
