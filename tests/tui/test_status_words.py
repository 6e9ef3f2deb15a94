"""How a controller is, in a line."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.health import Health
from controller.local import LocalServer
from controller.local_client import LocalClient
from controller.local_wire import calls
from controller.state_folder import Claim
from profiles.errors import ControllerOlder
from tests.controller.small_controller import SmallController
from tui.commands.status import gather, health_line


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


@pytest.mark.parametrize("unknown", ["health", "sequences"])
async def test_a_controller_that_is_older_is_asked_for_what_it_knows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, unknown: str
) -> None:
    older = {name: call for name, call in calls().items() if name != unknown}
    monkeypatch.setattr("controller.local.calls", lambda: older)
    with Claim(tmp_path / "state") as claim:
        async with (
            LocalServer(SmallController(), claim),
            await LocalClient.connect(claim.folder) as client,
        ):
            with pytest.raises(ControllerOlder, match="is older") as caught:
                await getattr(client, unknown)()
            assert (caught.value.where, caught.value.todo) == (str(claim.folder), "restart it")
            told = await gather(client)
    assert told["document"]["running"] is True
    assert told["document"][unknown] is None
    assert [line for line in told["lines"] if line.startswith("foyer-amp")]
    assert f"it is older than this program, and does not tell its {unknown}: restart it" in told["lines"]
