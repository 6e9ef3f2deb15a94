"""How a controller is, in a line."""

from __future__ import annotations

import pytest

from controller.health import Health
from tui.commands.status import health_line


@pytest.mark.parametrize(
    ("health", "told"),
    [
        (Health(1.75e9, True, 51_000), "; the journal takes entries; free on its disk: 51000 MB"),
        (Health(1.75e9, True, 0), "; the journal takes entries; free on its disk: 0 MB"),
        (
            Health(1.75e9, False, None),
            "; the journal CAN'T BE WRITTEN: nothing that energises is sent; free on its disk: can't be told",
        ),
    ],
    ids=["well", "full", "no_journal"],
)
def test_what_a_person_has_to_know_of_the_controller_itself(health: Health, told: str) -> None:
    line = health_line(health)
    assert line.startswith("since 2025-06-1")  # 1.75e9 s are 2025-06-15, 15:06:40 UTC
    assert line.endswith(told)
