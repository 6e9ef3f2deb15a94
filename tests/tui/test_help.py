"""Help on every screen: what it shows, what its keys do, and the cautions; and who answers on a bus."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import Static

from tests.tui.dashboard_bench import bench, dashboard_on
from tests.tui.still_hall import EVENING, evening_hall
from tui.screens.help import HelpScreen
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.sheets import TellSheet


@pytest.mark.slow
async def test_each_screen_explains_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    seen: dict[str, str] = {}
    async with dashboard_on(evening_hall(), utc=lambda: EVENING) as (app, pilot):
        assert [key for key, _ in app.places] == ["F2", "F3", "F4", "F5", "F6", "F7", "F8"]
        for key, name in app.places:
            await pilot.press(key.lower())
            assert app.screen.name == name
            await pilot.press("question_mark")
            assert isinstance(app.screen, HelpScreen)
            seen[name] = " ".join(str(each.render()) for each in app.screen.query(Static))
            await pilot.press("escape")
        await pilot.press("f4", "enter")
        while not isinstance(app.screen, ProfileEditorScreen):
            await pilot.pause(0.02)
        await pilot.press("f1")
        assert isinstance(app.screen, HelpScreen)
        seen["editor"] = " ".join(str(each.render()) for each in app.screen.query(Static))
    assert len(set(seen.values())) == 8
    for name, said in seen.items():
        assert "no emergency stop and no safety interlock" in said, name
        assert len(said) > 700, name


@pytest.mark.slow
async def test_who_answers_is_asked_and_told_where_the_ring_is_cut(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("2", "p")
        await b.until(lambda: isinstance(b.app.screen, TellSheet))
        said = " ".join(str(each.render()) for each in b.app.screen.query(Static))
        assert "sound:" in said
        assert "echo lag" in said
        await b.press("enter")
        await b.controller.simulate("sound", "cut 1")
        await b.press("p")
        await b.until(lambda: isinstance(b.app.screen, TellSheet))
        said = " ".join(str(each.render()) for each in b.app.screen.query(Static))
        assert "look at" in said
