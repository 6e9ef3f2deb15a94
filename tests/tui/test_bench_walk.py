"""The walk of the bench's page, typed as it stands there: from three captures to a confirmed action."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from tests.tui.conftest import Desk

ROOT = Path(__file__).parents[2]
_BLOCK = re.compile(r"```(\w*)\n(.*?)```", re.DOTALL)


def _walk() -> list[tuple[str, str]]:
    """The blocks of the walk: their kind, and what stands in them."""
    page = (ROOT / "docs" / "bench.md").read_text(encoding="utf-8")
    part = page.split("## A power button in five minutes")[1].split("\n## ")[0]
    return _BLOCK.findall(part)


@pytest.mark.slow
def test_the_walk_works_as_typed(desk: Desk) -> None:
    shutil.copytree(ROOT / "tests" / "data" / "captures", desk.folder / "tests" / "data" / "captures")
    programs = desk.folder / "bin"
    programs.mkdir()
    program = programs / "linewarden"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tui.cli "$@"\n')
    program.chmod(0o755)
    environment = {**desk.environment, "PATH": f"{programs}{os.pathsep}{os.environ['PATH']}"}
    script, expected = ["set -e"], []
    for kind, text in _walk():
        if kind == "toml":
            script.append(f"cat > site.toml <<'END'\n{text}END")
            continue
        for line in text.splitlines():
            if line.startswith("$ "):
                script.append(line[2:])
            else:
                expected.append(line)
    assert len(script) == 8
    began = time.monotonic()
    done = subprocess.run(
        ["bash", "-c", "\n".join(script)],
        cwd=desk.folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    took = time.monotonic() - began
    print(f"\nthe walk took {took:.1f} s of its five minutes")
    assert (done.returncode, done.stderr) == (0, "")
    said = done.stdout.splitlines()
    for line in expected:
        # How long it takes, and whether a busy machine can count the units, differs.
        assert any(each.startswith(line.split("; 2 units")[0]) for each in said), line
    assert any("4800 8N1, idle high" in line for line in said)
    assert any("2 units between them" in line for line in said)
    picture = ET.parse(desk.folder / "my-bench" / "both.svg")
    # A waveform of each side for each of the four bytes.
    assert len(picture.getroot().findall(".//{http://www.w3.org/2000/svg}polyline")) == 8


@pytest.mark.slow
def test_a_recording_is_compared_with_a_capture_and_with_another(desk: Desk) -> None:
    shutil.copy(ROOT / "tests" / "data" / "captures" / "power-on_1.csv", desk.folder)
    chain = desk.chain(units=2)
    desk.start("run").until("running")
    for name, action in (("one", "power-on"), ("two", "power-on"), ("three", "standby")):
        listener = desk.start("listen", "hall", "--seconds", "30", "--record", f"{name}.jsonl", "--json")
        for level in range(1, 60):
            # A knob is turned until the listener is there to hear it: that is no part of what we send.
            chain.order(f"press 1 set-volume level={level}")
            if "Volume told" in listener.soon():
                break
        assert desk.run("act", "unit-1", action).code == 0
        listener.soon()
        listener.end(signal.SIGINT)
    sent = ("--replay-channel", "sent", "--burst-gap", "30", "--json")
    with_capture = desk.run("compare", "power-on_1.csv", "one.jsonl", *sent)
    assert (with_capture.code, with_capture.document["verdict"]) == (0, "same"), with_capture
    assert with_capture.document["frames"] == {"original": 4, "replay": 4}
    assert desk.run("compare", "one.jsonl", "two.jsonl", "--channel", "sent", *sent).code == 0
    # The echo against what was sent, in one recording.
    assert desk.run("compare", "one.jsonl", "--channel", "echoed", *sent).code == 0
    other = desk.run("compare", "one.jsonl", "three.jsonl", "--channel", "sent", *sent)
    assert (other.code, other.document["verdict"]) == (1, "different")
