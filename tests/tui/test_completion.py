"""The completion scripts, read by the shells that they are for."""

from __future__ import annotations

import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.tui.conftest import Desk

HALL = Path(__file__).resolve().parents[2] / "tui" / "demo" / "larkfield-hall.toml"

CASES = [
    ("", {"act", "off", "completion", "profiles"}, {"--help", "foyer-amp"}),
    ("a", {"act", "adapter"}, {"off"}),
    ("profiles s", {"show"}, {"list"}),
    ("profiles show pell", {"pellgate-chain", "pellgate-blind"}, {"midi-scene"}),
    ("act ", {"foyer-amp", "sound"}, {"evening"}),
    ("act --within 3 --yes fo", {"foyer-amp"}, {"mixer"}),
    ("act foyer-amp s", {"standby", "set-volume"}, {"power-on"}),
    ("act --y", {"--yes"}, {"--json"}),
    ("act --protocol ", {"5", "3.1.1"}, {"foyer-amp"}),
    ("listen ", {"sound", "screen"}, {"foyer-amp"}),
    ("sequence e", {"evening"}, {"start"}),
    ("sequence evening ", {"start", "stop", "cancel"}, {"evening"}),
    ("check s", {"site.toml"}, {"standby"}),
]


@pytest.fixture
def hall(desk: Desk) -> Desk:
    """A folder with a site file, and ``linewarden`` on the path."""
    shutil.copy(HALL, desk.folder / "site.toml")
    tools = desk.folder / "tools"
    tools.mkdir()
    own = tools / "linewarden"
    own.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m tui.cli "$@"\n')
    own.chmod(0o755)
    desk.environment["PATH"] = f"{tools}:{desk.environment['PATH']}"
    return desk


def shell(hall: Desk, name: str, text: str) -> str:
    """What a shell says to a text that is given to it as its program."""
    if shutil.which(name) is None:
        pytest.skip(f"{name} is not installed")
    plain = {"bash": ["--norc"], "fish": ["--no-config"], "zsh": ["-f"]}[name]
    done = subprocess.run(
        [name, *plain, "-c", text],
        cwd=hall.folder,
        env=hall.environment,
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    assert done.stderr == ""
    assert done.returncode == 0
    return done.stdout


def bash_answers(hall: Desk, lines: list[str]) -> list[set[str]]:
    """What bash would offer behind each line, by the function that the script hands to its `complete`."""
    asks = [f"linewarden completion bash > {shlex.quote(str(hall.folder / 'script'))}; . ./script"]
    asks.append("complete -p linewarden | grep -q -e '-F _linewarden linewarden' || exit 1")
    for line in lines:
        words = [*line.split()] if not line or line[-1] != " " else [*line.split(), ""]
        said = " ".join(shlex.quote(word) for word in ["linewarden", *(words or [""])])
        asks.append(f"COMP_WORDS=({said}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); _linewarden")
        asks.append('echo "${COMPREPLY[*]}"')
    return [set(each.split()) for each in shell(hall, "bash", "\n".join(asks)).splitlines()]


def fish_answers(hall: Desk, lines: list[str]) -> list[set[str]]:
    """What fish offers behind each line."""
    asks = ["linewarden completion fish | source"]
    for line in lines:
        asks += [f"complete -C {shlex.quote('linewarden ' + line)}", "echo .end"]
    blocks = shell(hall, "fish", "\n".join(asks)).split(".end\n")[:-1]
    return [{offer.split("\t")[0] for offer in block.splitlines()} for block in blocks]


@pytest.mark.parametrize(
    "answers",
    [bash_answers, pytest.param(fish_answers, marks=pytest.mark.slow)],
    ids=["bash", "fish"],
)
def test_what_is_offered_behind_a_line(hall: Desk, answers: object) -> None:
    assert callable(answers)
    offered = answers(hall, [line for line, _, _ in CASES])
    assert len(offered) == len(CASES)
    for (line, wanted, unwanted), found in zip(CASES, offered, strict=True):
        assert wanted <= found, (line, found)
        assert not unwanted & found, (line, found)


def test_a_site_named_on_the_line_is_asked(hall: Desk) -> None:
    (hall.folder / "site.toml").rename(hall.folder / "other.toml")
    none, found = bash_answers(hall, ["act fo", "act --site other.toml fo"])
    assert none == set()
    assert found == {"foyer-amp"}


@pytest.mark.slow
def test_zsh_takes_the_script(hall: Desk) -> None:
    text = "source <(linewarden completion zsh); echo ${_comps[linewarden]}"
    assert "_linewarden" in shell(hall, "zsh", text)


@pytest.mark.parametrize(
    "text", ["", "[units", "units = 3\n", "[units]\namp = 1\n", '[units.amp]\nbus = ["a"]\n']
)
@pytest.mark.parametrize("kind", ["targets", "actions"])
def test_a_broken_site_offers_nothing_and_tells_no_fault(desk: Desk, text: str, kind: str) -> None:
    desk.write("site.toml", text)
    said = desk.run("completion", "--names", kind, "--of", "amp")
    assert said.err == ""
    assert said.out in ("", "amp\n")


def test_without_a_shell_it_says_what_to_write(desk: Desk) -> None:
    said = desk.run("completion")
    assert said.code == 2
    assert "linewarden completion bash" in said.err
