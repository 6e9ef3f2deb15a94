"""The page that goes from a profile to a box, its wiring and a unit's report, walked as it stands."""

from __future__ import annotations

import json
import re
import shlex
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path

import pytest

from tests.tui.busy import A_BUSY_MACHINE
from tests.tui.conftest import Desk, Said

PAGE = Path(__file__).resolve().parents[2] / "docs" / "box.md"


def commands() -> list[list[str]]:
    """Every command of the page, in its order."""
    blocks = re.findall(r"```\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    lines = [line for block in blocks for line in block.splitlines()]
    return [shlex.split(line)[1:] for line in lines if line.startswith("linewarden ")]


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.peer("avr-gcc")
def test_the_whole_way_from_a_profile_to_what_is_handed_over(desk: Desk) -> None:
    first, *others = commands()
    assert first[0] == "sim"
    chain = desk.start(*first)
    chain.line()
    said: dict[str, Said] = {}
    for words in others:
        limits = A_BUSY_MACHINE if words[0] == "qualify" else ()
        said[words[0]] = done = desk.run(*words, *limits)
        assert (done.code, done.err) == (0, ""), words
    assert said.keys() == {"act", "firmware", "wiring", "qualify", "profiles"}
    # The box: source, and proven against the profile's evidence.
    assert said["firmware"].out.splitlines()[-1] == "proven"
    assert "on was compared with the profile's evidence" in said["firmware"].out
    assert (desk.folder / "box" / "main.c").exists()
    # The wiring: drawn, and with a few milliamperes (common practice, no source) from a line of 5 to 12 V.
    ET.parse(desk.folder / "trigger.svg")
    # The report: twenty cycles, and on the page what is in the document.
    told = json.loads((desk.folder / "unit-1.json").read_text())
    assert (told["verdict"], told["plan"]["completed"]) == ("pass", 20)
    assert told["figures"]["commands"] == 40
    # 4 frames x (2 + 1) x 10 bits / 4800 baud: a store-and-forward unit returns a frame one frame time later
    # (common practice, no source).
    assert told["figures"]["on"]["wire_ms"] == pytest.approx(4 * 3 * 10 / 4800 * 1000)
    page = (desk.folder / "unit-1.html").read_text()
    assert told["profile"]["sha256"] in page
    assert page.count("<svg") >= 4
    # The box says what the report's unit was told.
    assert told["plan"]["on"]["bytes"] in said["firmware"].out
    assert "pellgate-chain.toml" in " ".join(zipfile.ZipFile(desk.folder / "pellgate-chain.zip").namelist())
    assert chain.end() == 0
