"""MIDI scenes, read at the far end of a line by a parser that is not ours: mido's."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest

from controller.records import Command, Known, Result
from controller.service import Controller
from controller.site import load_site
from tests.controller.line_ends import FarEnd
from tests.tui.conftest import Desk

SITE = """
[site]
id = "larkfield-hall"

[buses.lights]
port = "{port}"
profile = "midi-scene"
topology = "open"

[units.desk]
bus = "lights"
address = 1
role = "lighting"

[units.effects]
bus = "lights"
address = 16
"""


def heard(data: bytes) -> list[tuple[str, dict[str, int]]]:
    """The messages in a stream, as mido reads them; time stamps left out."""
    parser = mido.Parser()
    parser.feed(data)
    fields = [message.dict() for message in parser]
    return [(each.pop("type"), {key: each[key] for key in each if key != "time"}) for each in fields]


# Channels count from 1 on gear and from 0 on the wire and in mido, as do scenes (MIDI 1.0 Detailed
# Specification, table of channel messages).
CASES = [
    ("desk", "program-change", {"scene": 1}, ("program_change", {"channel": 0, "program": 0})),
    ("desk", "program-change", {"scene": 128}, ("program_change", {"channel": 0, "program": 127})),
    ("effects", "program-change", {"scene": 6}, ("program_change", {"channel": 15, "program": 5})),
    ("desk", "set-level", {"level": 127}, ("control_change", {"channel": 0, "control": 7, "value": 127})),
    ("effects", "set-level", {"level": 64}, ("control_change", {"channel": 15, "control": 7, "value": 64})),
    ("desk", "level-off", {}, ("control_change", {"channel": 0, "control": 7, "value": 0})),
    ("effects", "silence", {}, ("control_change", {"channel": 15, "control": 120, "value": 0})),
]


async def test_every_action_is_the_message_that_it_says(tmp_path: Path) -> None:
    with FarEnd() as far:
        (tmp_path / "site.toml").write_text(SITE.format(port=far.path))
        controller = await Controller.open(load_site(tmp_path / "site.toml"), tmp_path / "state")
        try:
            await controller.ready()
            assert far.read_now() == b"", "nothing is sent on start"
            for unit, action, parameters, message in CASES:
                outcome = await controller.submit(Command(unit, action, dict(parameters)))
                assert outcome.result is Result.SENT
                # MIDI 1.0 Detailed Specification: 31.25 kbaud, 10 bits, 320 microseconds a byte.
                assert outcome.wire_ms == pytest.approx(0.32 * outcome.frames)
                assert heard(far.read(outcome.frames)) == [message]
            scene = (await controller.states())["effects"]["scene"]
            assert (scene.value, scene.known) == (6, Known.PRESUMED)
        finally:
            await controller.close()
        assert far.read_now() == b"", "nothing is sent at the end"


async def test_messages_in_one_stream_are_told_apart(tmp_path: Path) -> None:
    with FarEnd() as far:
        (tmp_path / "site.toml").write_text(SITE.format(port=far.path))
        controller = await Controller.open(load_site(tmp_path / "site.toml"), tmp_path / "state")
        try:
            await controller.ready()
            frames = 0
            for unit, action, parameters, _ in CASES:
                frames += (await controller.submit(Command(unit, action, dict(parameters)))).frames
            assert heard(far.read(frames)) == [message for *_, message in CASES]
        finally:
            await controller.close()


def test_act_says_that_nothing_can_confirm_it(desk: Desk) -> None:
    with FarEnd() as far:
        desk.write("site.toml", SITE.format(port=far.path))
        for scene in (6, 7):
            said = desk.run("act", "desk", "program-change", f"scene={scene}", "--json")
            assert said.code == 0, said.err
            assert said.document["outcome"] == "sent"
            assert heard(far.read(2)) == [("program_change", {"channel": 0, "program": scene - 1})]
        said = desk.run("act", "desk", "program-change", "scene=129")
        assert said.code != 0
        assert "129" in said.err
        assert far.read_now() == b""
