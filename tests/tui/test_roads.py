"""What holds a unit off holds on the screen and on the command line, down to the unit behind a real pty."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import OptionList

from controller.records import Known
from controller.simulator.registry import running
from controller.site import load_site
from tests.tui.conftest import Desk
from tests.tui.dashboard_bench import bench
from tui.demo.evening import load_hall
from tui.screens.sheets import AskSheet

HELD = {"lock": "locked", "minimum-off": "too-fast", "asks": "not-agreed"}


@pytest.mark.parametrize("by", HELD)
async def test_on_the_screen(tmp_path: Path, by: str) -> None:
    loaded = load_hall()
    keys: dict[str, dict[str, object]] = {
        "minimum-off": {"minimum_off_s": 600.0},
        "asks": {"ask_before_energise": True},
    }
    units = {**loaded.site.units, "mixer": loaded.site.units["mixer"].model_copy(update=keys.get(by))}
    loaded.site = loaded.site.model_copy(update={"units": units})
    async with bench(tmp_path, loaded=loaded) as b:
        if by == "lock":
            await b.controller.lock("mixer", "Kim", "new fuse")
        elif by == "minimum-off":
            await b.press("1", "f")
            await b.until(lambda: b.state("mixer", "power") == (False, Known.CONFIRMED))
        await b.press("1", "o")
        if by == "asks":
            await b.until(lambda: isinstance(b.app.screen, AskSheet))
            await b.press("n")
            # Whoever leaves the question out does not get past the gate.
            b.app.command("mixer", "power-on")
        await b.until(lambda: HELD[by] in b.text("#detail"), HELD[by])
        assert running("larkfield-hall-sound").states()[1]["power"] is False
        await b.press("f8")
        await b.until(lambda: b.app.screen.query(OptionList) and "mixer power-on" in b.text("#step-lines"))
        await b.press("o")
        if by == "asks":
            await b.until(lambda: isinstance(b.app.screen, AskSheet))
            await b.press("n")
        else:
            await b.until(lambda: "✗ mixer power-on" in b.text("#step-lines"))
        assert running("larkfield-hall-sound").states()[1]["power"] is False


@pytest.mark.slow
@pytest.mark.parametrize("by", HELD)
def test_on_the_command_line(desk: Desk, by: str) -> None:
    chain = desk.chain(units=1)
    site = desk.folder / "site.toml"
    key = {"lock": "", "minimum-off": "\nminimum_off_s = 600", "asks": "\nask_before_energise = true"}[by]
    text = site.read_text().replace("address = 1", f"address = 1{key}")
    site.write_text(text + '\n[sequences.up]\nup = [{ unit = "unit-1", action = "power-on" }]\n')
    bus = next(iter(load_site(site).site.buses))
    if by == "lock":
        desk.run("lock", "unit-1", "--why", "new fuse", "--who", "Kim")
    elif by == "minimum-off":
        assert desk.run("act", "unit-1", "standby").code == 0
    said = desk.run("act", "unit-1", "power-on", "--json")
    assert (said.code, said.document["outcome"], said.document["reason"]) == (1, "refused", HELD[by])
    assert desk.run("sequence", "up", "start").code == 1
    if by != "asks":
        # Raw bytes are agreed to by --allow-raw itself; no lock and no time lets them pass.
        raw = desk.run("send", bus, "A5 01 01 02", "--allow-raw", "--json")
        assert (raw.code, raw.document["reason"]) == (1, HELD[by])
    shown = chain.order("show")
    while "power = " not in shown:
        shown = chain.line()
    assert "power = false" in shown
