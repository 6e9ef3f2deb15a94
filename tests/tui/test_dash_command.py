"""``linewarden dash`` without a broker: on the controller that runs, if it is that of the same site file."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.local import LocalServer
from controller.service import Controller
from controller.simulator.registry import stop_all
from controller.state_folder import Claim
from profiles.errors import InputError
from tests.controller.mqtt.hall import site_file
from tui.app import DashboardApp
from tui.commands.dash import show_site


async def test_it_attaches_to_the_running_controller_of_the_same_file_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded, other = site_file(tmp_path / "a"), site_file(tmp_path / "b")
    shown: list[DashboardApp] = []

    async def no_terminal(app: DashboardApp) -> int:
        shown.append(app)
        return 0

    # There is no terminal here; everything up to its opening is real.
    monkeypatch.setattr(DashboardApp, "run_async", no_terminal)
    with Claim(tmp_path / "state") as claim:
        controller = await Controller.open(loaded, claim.folder)
        try:
            async with LocalServer(controller, claim):
                assert await show_site(loaded, tmp_path / "state") == 0
                assert [bus.id for bus in shown[0].model.site.buses] == ["sound"]
                with pytest.raises(InputError, match="started with another file"):
                    await show_site(other, tmp_path / "state")
                assert len(shown) == 1
        finally:
            await controller.close()
            stop_all()
