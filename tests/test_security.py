"""What docs/security.md says is so: of the source, of what is written, of names, of raw bytes."""

from __future__ import annotations

import ast
import dataclasses
import itertools
import json
import os
import re
import signal
import stat
import subprocess
import sys
import tomllib
from functools import cache
from importlib import metadata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.clearance import BusRules, Cleared, UnitRules
from controller.guard import Gate
from controller.records import Command, Lock, Origin, OriginKind, Reason, Result
from controller.states import StateBook
from profiles.checking import load_profile
from profiles.errors import InputError, LinewardenError, NotKnown
from tests.controller.halls import chain_text, ring, running, shipped

ROOT = Path(__file__).resolve().parents[1]

# The source: no way from data to code

_FORBIDDEN_MODULES = frozenset(
    ("pickle", "marshal", "shelve", "dill", "cloudpickle", "jsonpickle", "code", "codeop", "yaml", "ctypes")
)
_FORBIDDEN_CALLS = frozenset(("eval", "exec", "compile", "__import__"))
_FORBIDDEN_OS = re.compile(r"system|popen|exec[lv]p?e?|spawn[lv]p?e?|posix_spawnp?|startfile")
_PROGRAMS = {
    "controller/proving/toolchain.py",
    "controller/proving/rig.py",
    "tui/report_opening.py",
    "tui/web/visit.py",
}
"""The files that start another program: a compiler, a chip, a person's own browser, a visitor's dashboard."""


@cache
def sources() -> dict[str, ast.Module]:
    """Every module of the three floors, read once."""
    return {
        str(path.relative_to(ROOT)): ast.parse(path.read_text(encoding="utf-8"))
        for floor in ("profiles", "controller", "tui")
        for path in sorted((ROOT / floor).rglob("*.py"))
    }


def ways_to_code(tree: ast.AST) -> list[str]:
    """Everything in a module that could make code out of data, or hand data to a shell."""
    found = []
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name.partition(".")[0] for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [(node.module or "").partition(".")[0]]
        found += [f"imports {name}" for name in names if name in _FORBIDDEN_MODULES]
        if isinstance(node, ast.Call):
            target = node.func
            if isinstance(target, ast.Name) and target.id in _FORBIDDEN_CALLS:
                found.append(f"calls {target.id}")
            if isinstance(target, ast.Attribute) and isinstance(target.value, ast.Name):
                if target.value.id == "os" and _FORBIDDEN_OS.fullmatch(target.attr):
                    found.append(f"calls os.{target.attr}")
                if target.attr == "load_extension":
                    found.append("loads an extension")
            found += [
                "uses a shell"
                for keyword in node.keywords
                if keyword.arg == "shell"
                and not (isinstance(keyword.value, ast.Constant) and not keyword.value.value)
            ]
    return found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("import pickle", ["imports pickle"]),
        ("from marshal import loads", ["imports marshal"]),
        ("eval(x)", ["calls eval"]),
        ("import os\nos.system(x)", ["calls os.system"]),
        ("run(x, shell=True)", ["uses a shell"]),
        ("run(x, shell=False)", []),
        ("re.compile(x)", []),
    ],
)
def test_the_search_finds_what_it_looks_for(text: str, found: list[str]) -> None:
    assert ways_to_code(ast.parse(text)) == found


@pytest.mark.slow
def test_nothing_makes_code_of_data_and_no_shell_is_used() -> None:
    assert len(sources()) > 200
    found = {name: ways for name, tree in sources().items() if (ways := ways_to_code(tree))}
    assert found == {}


def starts_programs(tree: ast.AST) -> bool:
    """Whether a module knows how to start another program."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import) and any(alias.name == "subprocess" for alias in node.names):
            return True
        if isinstance(node, ast.ImportFrom) and "subprocess" in {
            node.module,
            *(alias.name for alias in node.names),
        }:
            return True
        if isinstance(node, ast.Attribute) and node.attr.startswith("create_subprocess"):
            return True
    return False


@pytest.mark.slow
def test_only_a_few_files_start_another_program() -> None:
    assert starts_programs(ast.parse("from asyncio import subprocess"))
    found = {name for name, tree in sources().items() if starts_programs(tree)}
    assert found <= _PROGRAMS


# What is written, and where

_WATCHED = """
import json, os, sys
written = set()
WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
CHANGES = ("os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.symlink", "os.link", "os.truncate")
CHANGES += ("sqlite3.connect",)

def hook(event, details):
    if event == "open":
        path, mode, flags = details
        if isinstance(path, (str, bytes)) and (set(mode or "") & set("wax+") or (flags or 0) & WRITES):
            written.add(os.path.abspath(os.fsdecode(path)))
    elif event in CHANGES:
        for each in details:
            if isinstance(each, (str, bytes)) and each:
                written.add(os.path.abspath(os.fsdecode(each)))

sys.addaudithook(hook)
from tui.cli import main
code = main(sys.argv[2:])
with open(sys.argv[1], "w") as out:
    written.discard(os.path.abspath(sys.argv[1]))
    json.dump(sorted(written), out)
sys.exit(code)
"""
"""A command, with an eye on everything that Python is told to write (PEP 578)."""


@pytest.mark.skipif(os.name != "posix", reason="there are no Unix signals elsewhere")
@pytest.mark.slow
def test_the_service_writes_nowhere_but_in_its_state_folder(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(
        '[site]\nid = "larkfield-hall"\n[buses.hall]\nport = "sim://pellgate-chain?units=2"\n'
        'profile = "pellgate-chain"\ntopology = "ring"\n[units.mixer]\nbus = "hall"\naddress = 1\n'
    )
    for name in ("home", "work"):
        (tmp_path / name).mkdir()
    environment = {
        **{name: value for name, value in os.environ.items() if not name.startswith(("LINEWARDEN", "XDG"))},
        "HOME": str(tmp_path / "home"),
        "PYTHONPATH": str(ROOT),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    state, told = tmp_path / "state", tmp_path / "told.json"
    calls = ["--site", str(site), "--state", str(state)]

    def command(*words: str) -> int:
        return subprocess.run(
            [sys.executable, "-m", "tui.cli", *words, *calls],
            env=environment,
            cwd=tmp_path / "work",
            capture_output=True,
            check=False,
        ).returncode

    service = subprocess.Popen(
        [sys.executable, "-c", _WATCHED, str(told), "run", *calls],
        env=environment,
        cwd=tmp_path / "work",
        stdout=subprocess.PIPE,
        umask=0,
        text=True,
    )
    assert service.stdout is not None
    assert "running" in service.stdout.readline()
    assert command("act", "mixer", "power-on") == 0
    assert command("act", "mixer", "no-such-action") == 2
    assert command("lock", "mixer", "--who", "Ada", "--why", "../../../tmp/new fuse") == 0
    assert command("probe", "hall") == 0
    assert command("off") == 0
    # While it runs: nobody else gets in, whatever the umask says.
    assert stat.S_IMODE(state.stat().st_mode) == 0o700
    kept = sorted(state.iterdir())
    assert len(kept) >= 3
    assert all(
        stat.S_IMODE(path.stat().st_mode) & 0o077 == 0
        for path in kept
        if not path.name.endswith((".sqlite-wal", ".sqlite-shm"))
    )
    service.send_signal(signal.SIGTERM)
    assert service.wait(20) == 0
    service.stdout.close()
    written = [Path(path) for path in json.loads(told.read_text())]
    assert any(path.is_relative_to(state) for path in written)
    # What a thread is called is told to the system below /proc/self; no file comes of it.
    elsewhere = [path for path in written if not path.is_relative_to(state)]
    strange = [
        path for path in elsewhere if path != Path(os.devnull) and path.parts[:3] != ("/", "proc", "self")
    ]
    assert strange == []
    assert list((tmp_path / "home").rglob("*")) == []
    assert list((tmp_path / "work").iterdir()) == []


# Names are no paths

NASTY = (
    *("../outside", "..", ".", "/etc/passwd", "/etc/passwd.toml", "a/../../outside.toml", "~root", "con"),
    *(
        "a\\..\\b",
        "outside\0.toml",
        "%2e%2e%2foutside",
        "",
        " ",
        "-rf",
        "$(id)",
        "`id`",
        "{site}",
        "a" * 5000,
    ),
)


def files_in(folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if "journal" not in path.name}


async def test_a_profile_s_name_from_a_front_end_leads_to_no_file_of_its_choice(tmp_path: Path) -> None:
    outside = tmp_path / "outside.toml"
    outside.write_text(shipped("pellgate-chain"), encoding="utf-8")
    async with running(ring(tmp_path / "site"), tmp_path / "state") as controller:
        for name in (*NASTY, str(outside), "../outside.toml"):
            with pytest.raises(LinewardenError):
                await controller.profile(name)
            with pytest.raises(LinewardenError):
                await controller.put_profile(name, shipped("pellgate-chain"), "")
        # What the site's own file names can be had.
        assert (await controller.profile("chain.toml")).writable
    assert outside.read_text(encoding="utf-8") == shipped("pellgate-chain")


@given(st.text(max_size=80))
@settings(deadline=None)
def test_no_name_of_a_site_can_have_a_path_in_it(text: str) -> None:
    from controller.site_model import Site

    try:
        site = Site.model_validate({"site": {"id": text}})
    except ValueError:
        return
    assert re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?", site.site.id)


async def test_names_in_commands_are_looked_up_and_nothing_else(tmp_path: Path) -> None:
    async with running(ring(tmp_path / "site"), tmp_path / "state") as controller:
        before = files_in(tmp_path)
        for name in NASTY:
            for command in (Command(name, "power-on"), Command("mixer", name)):
                outcome = await controller.submit(command)
                assert outcome.reason is Reason.NOT_KNOWN, (name, outcome)
            # An id is only told again: the command is written. On a busy machine its echo may come late.
            outcome = await controller.submit(Command("mixer", "standby", id=name))
            assert outcome.result is not Result.REFUSED, (name, outcome)
            assert outcome.frames
            with pytest.raises((NotKnown, InputError)):
                await controller.lock(name, "Ada", "fuse")
        assert files_in(tmp_path) == before


# Raw bytes

PROFILE = load_profile(chain_text(), "chain.toml")


@pytest.mark.parametrize("locked", [True, False])
@pytest.mark.parametrize("allowed", [True, False])
@pytest.mark.parametrize("kind", OriginKind)
def test_raw_bytes_are_local_allowed_and_never_for_a_locked_bus(
    kind: OriginKind, allowed: bool, locked: bool
) -> None:
    gate = Gate(
        [BusRules("sound", PROFILE, None, allowed, writes=True)],
        [UnitRules("mixer", "sound", 1), UnitRules("amp", "sound", 2)],
    )
    locks = [Lock("1", "amp", "Ada", "new fuse", 1.0)] if locked else []
    judged = gate.admit(
        Command("sound", "", raw=b"\xa5\x02\x01\x03", origin=Origin(kind)),
        utc=1.0,
        now=1.0,
        locks=locks,
        states=StateBook({}),
    )
    local = kind in (OriginKind.SCREEN, OriginKind.COMMAND_LINE)
    assert isinstance(judged, Cleared) == (local and allowed and not locked)
    if not isinstance(judged, Cleared):
        assert judged.reason is (Reason.LOCKED if local and allowed else Reason.NOT_ALLOWED)


@pytest.mark.slow
def test_no_message_can_be_made_a_raw_command_over_mqtt() -> None:
    # In the whole bridge nothing ever gives a command raw bytes, by name or by place.
    place = [field.name for field in dataclasses.fields(Command)].index("raw")
    for path, tree in sources().items():
        if not path.startswith(("controller/mqtt", "controller/homie")):
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Command":
                assert "raw" not in {keyword.arg for keyword in node.keywords}, path
                assert len(node.args) <= place, path


# What is depended on


def test_every_dependency_is_pinned_and_is_what_is_installed() -> None:
    pinned = dict(
        line.split("==")
        for line in (ROOT / "constraints.txt").read_text().splitlines()
        if line and not line.startswith("#")
    )
    names = {re.sub(r"[-_.]+", "-", name).lower(): version for name, version in pinned.items()}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *itertools.chain(*project["optional-dependencies"].values())]
    for requirement in wanted:
        found = re.match(r"[A-Za-z0-9._-]+", requirement)
        assert found is not None
        name = re.sub(r"[-_.]+", "-", found[0]).lower()
        if name == "linewarden":
            continue
        assert name in names, f"{name} is not pinned in constraints.txt"
        if requirement in project["dependencies"]:
            assert metadata.version(name) == names[name]
