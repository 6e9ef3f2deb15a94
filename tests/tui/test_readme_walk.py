"""README's tour, typed as it stands there: two terminals, one folder, and what each command says."""

from __future__ import annotations

import re
import shlex
import signal

import pytest

from tests.pages import ROOT
from tests.tui.conftest import Desk, Program

_PARTS = re.compile(
    r"```(\w*)\n(.*?)```|Type `([^`]+)` into the first terminal|`(clear all)` mends it", re.DOTALL
)


def tour() -> list[tuple[str, str]]:
    """What the tour has its reader do, in order: ("toml", a file), ("shell", lines), ("order", a line)."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    text = text.split("### 1. A chain to play with")[1].split("### 6. The dashboard")[0]
    steps = []
    for kind, block, typed, cleared in _PARTS.findall(text):
        order = typed or cleared
        steps.append(("order", order) if order else (kind or "shell", block))
    return steps


def commands(block: str) -> list[tuple[str, str]]:
    """The commands of a block, each with what it is shown to say."""
    found: list[tuple[str, str]] = []
    for line in block.splitlines():
        text = line.removeprefix("$ ")
        if text.startswith("linewarden "):
            found.append((text, ""))
        else:
            found[-1] = (found[-1][0], f"{found[-1][1]} {line}")
    return found


def pattern(shown: str) -> str:
    """What a command may say where a page shows this: times differ, and echoes may come late."""
    text = re.escape(" ".join(shown.split()))
    text = re.sub(r"\d+\\\.\d", r"\\d+\\.\\d+", text)
    text = re.sub(r";\\ \d+\\ units\\ answered", r"(?:; \\d+ units answered)?", text)
    text = text.replace(r"on\ the\ wire", r"on the wire(?:; at attempt \d)?")
    return text.replace(r"\.\.\.", ".*")


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_the_tour_goes_as_it_is_written(desk: Desk) -> None:
    steps = tour()
    assert [kind for kind, _ in steps].count("toml") == 1
    first: Program | None = None
    ran = []
    for kind, text in steps:
        if kind == "toml":
            desk.write("my-amp.toml", text)
        elif kind == "order":
            assert first is not None
            first.type(text)
            first.until("cut 2")
        else:
            for command, shown in commands(text):
                words = shlex.split(command)[1:]
                ran.append(words[0])
                if words[0] == "sim":
                    if first is not None:
                        assert first.end(signal.SIGINT) == 0
                    first = desk.start(*words)
                    assert first.line().endswith(".line")
                    continue
                said = desk.run(*words)
                assert said.code == (1 if shown.strip().startswith("linewarden: ") else 0), said
                if shown:
                    told = " ".join((said.out + said.err).split())
                    assert re.fullmatch(pattern(shown), told), (told, shown)
    assert ran == ["sim", "act", "act", "journal", "lock", "act", "off", "check", "sim", "act"]
    # The lock is still there, and its id clears it.
    (lock,) = desk.run("status", "--json").document["locks"]
    assert desk.run("unlock", lock["id"]).code == 0
