"""The journal's screen and what is handed to it: lines that go while one opens them, texts no file can hold.

Halves of characters (Unicode, chapter 3.8) have no UTF-8; JSON can name them (RFC 8259, chapter 8.2), and so
can whoever commands over MQTT.
"""

from __future__ import annotations

import json
from pathlib import Path

from textual.widgets import Input, OptionList

from controller.api import JournalEntry
from controller.records import Command, Origin, OriginKind, Outcome, Reason, Result
from tests.tui.dashboard_bench import dashboard_on
from tests.tui.still_hall import EVENING, evening_hall
from tui.screens.journal import JournalScreen

HALF = "a\ud800"
PANEL = Origin(OriginKind.MQTT, "panel", claimed=True)


def refused(identity: str, action: str) -> JournalEntry:
    command = Command("mixer", action, {HALF: HALF}, PANEL, identity, EVENING)
    return JournalEntry(command, Outcome(identity, Result.REFUSED, Reason.NOT_KNOWN, f"no {action}"))


async def test_enter_on_a_line_that_is_gone_when_it_is_looked_at_opens_nothing() -> None:
    hall = evening_hall()
    hall.written = [refused("older", "standby")]
    async with dashboard_on(hall, utc=lambda: EVENING) as (app, pilot):
        await pilot.press("f5")
        screen = app.screen
        assert isinstance(screen, JournalScreen)
        entries = screen.query_one(OptionList)
        while entries.option_count != 1:
            await pilot.pause(0.02)
        # Newer commands push it out of the page between the key and its message.
        entries.action_select()
        screen._entries = [refused("newer", "power-on")]
        screen._paint()
        await pilot.press("down")
        assert not screen.query_one("#whole").has_class("open")
        await pilot.press("enter")
        while not screen.query_one("#whole").has_class("open"):
            await pilot.pause(0.02)


async def test_half_a_character_that_was_commanded_keeps_no_export_from_being_whole(
    tmp_path: Path,
) -> None:
    hall = evening_hall()
    hall.written = [refused("odd", HALF), refused("plain", "standby")]
    path = tmp_path / "journal.jsonl"
    async with dashboard_on(hall, utc=lambda: EVENING) as (app, pilot):
        await pilot.press("f5")
        while app.screen.query_one(OptionList).option_count != 2:
            await pilot.pause(0.02)
        await pilot.press("e")
        app.screen.query(Input).first().value = str(path)
        await pilot.press("enter")
        assert isinstance(app.screen, JournalScreen)
        lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert [line["command"]["action"] for line in lines] == ["a?", "standby"]
