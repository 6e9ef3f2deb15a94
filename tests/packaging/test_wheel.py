"""The wheel, built from what is in the repository and installed where the source is not."""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FLOORS = ("profiles", "controller", "tui")

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]


def project() -> dict[str, str]:
    """What pyproject.toml says of the project."""
    document: dict[str, dict[str, str]] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return document["project"]


def kept_files() -> set[str]:
    """The files that a clone would have, the ones that are new and not ignored among them."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("needs a git checkout, to know which files are its own")
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return {name for name in listed.split("\0") if name and (ROOT / name).is_file()}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built by pip from a copy: nothing left over from a developer's builds gets in."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    for name in kept_files():
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, source / name)
    # Isolated, as a user's pip does it: pip then fetches the build backend where it has none in its cache.
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", str(source), "--no-deps", "-q", "-w", str(folder)],
        capture_output=True,
        text=True,
        timeout=170,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (built,) = folder.glob("*.whl")
    return built


Call = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the wheel in it. What it depends on is read from the environment of the tests."""
    folder = tmp_path_factory.mktemp("installed") / "env"
    venv.create(folder, with_pip=False, symlinks=os.name != "nt")
    site = Path(sysconfig.get_path("purelib", "venv", {"base": str(folder), "platbase": str(folder)}))
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pip", "--python", str(folder), "install", "-q"),
            *("--disable-pip-version-check", "--no-index", "--no-deps", str(wheel)),
        ],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    # By a plain path: the .pth files in there, which lead to the source, are not read.
    (site / "needed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return folder


@pytest.fixture
def call(installed: Path, tmp_path: Path) -> Call:
    """The installed command, in an empty folder."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("LINEWARDEN", "PYTHON", "XDG_"))
    }
    environment = {**kept, "HOME": str(tmp_path / "home")}
    folder = tmp_path / "elsewhere"
    folder.mkdir()

    def one(*words: str, program: str = "linewarden") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(installed / "bin" / program), *words],
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            timeout=100,
            check=False,
        )

    return one


def test_the_wheel_has_every_file_of_the_three_floors_and_no_other(wheel: Path) -> None:
    wanted = {name for name in kept_files() if name.split("/")[0] in FLOORS}
    with zipfile.ZipFile(wheel) as packed:
        names = set(packed.namelist())
        metadata = f"linewarden-{project()['version']}.dist-info/"
        points = configparser.ConfigParser()
        points.read_string(packed.read(f"{metadata}entry_points.txt").decode())
    described = {name for name in names if name.startswith(metadata)}
    assert wanted - names == set()
    assert names - described - wanted == set()
    assert {name.removeprefix(metadata) for name in described} == {
        "METADATA",
        "RECORD",
        "WHEEL",
        "entry_points.txt",
        "licenses/LICENSE",
        "top_level.txt",
    }
    assert dict(points["console_scripts"]) == {"linewarden": "tui.cli:main"}
    # By name what people would miss first.
    assert {"profiles/builtin/pellgate-chain.toml", "tui/demo/larkfield-hall.toml"} <= names
    assert {"profiles/firmware/templates/main.c", "controller/proving/rig.c"} <= names
    assert {"tui/dashboard.tcss", "tui/linewarden@.service", "tui/web/page/page.html"} <= names


def test_nothing_of_this_machine_is_in_the_wheel(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as packed:
        for name in packed.namelist():
            assert str(ROOT).encode() not in packed.read(name), name


def test_the_installed_copy_is_the_one_that_runs(call: Call, installed: Path) -> None:
    text = "import profiles, controller, tui; print(profiles.__file__, controller.__file__, tui.__file__)"
    said = call("-c", text, program="python").stdout.split()
    assert len(said) == 3
    assert all(Path(each).is_relative_to(installed) for each in said), said


def test_it_tells_its_version(call: Call) -> None:
    said = call("--version")
    assert (said.returncode, said.stdout, said.stderr) == (0, f"linewarden {project()['version']}\n", "")


def test_the_shipped_profiles_are_there(call: Call) -> None:
    said = call("profiles", "list")
    assert said.returncode == 0, said.stderr
    shipped = {path.stem for path in (ROOT / "profiles" / "builtin").glob("*.toml")}
    assert shipped
    assert all(name in said.stdout for name in shipped)
    assert call("profiles", "show", "pellgate-chain", "--text").stdout == (
        ROOT / "profiles" / "builtin" / "pellgate-chain.toml"
    ).read_text(encoding="utf-8")


def test_the_evening_at_the_hall_plays(call: Call) -> None:
    said = call("demo", "--headless", "--fast")
    assert said.returncode == 0, said.stderr
    assert "Larkfield Hall" in said.stdout
    assert "confirmed" in said.stdout


@pytest.mark.parametrize(
    "prove",
    [
        pytest.param((), id="written"),
        pytest.param(("--prove",), id="proven", marks=pytest.mark.peer("avr-gcc")),
    ],
)
def test_a_box_is_written(call: Call, tmp_path: Path, prove: tuple[str, ...]) -> None:
    box = tmp_path / "box"
    words = ("--address", "1", "--on", "power-on", "--off", "standby", "-o", str(box))
    said = call("firmware", "pellgate-chain", *words, *prove)
    assert said.returncode == 0, said.stderr + said.stdout
    templates = {path.name for path in (ROOT / "profiles" / "firmware" / "templates").iterdir()}
    assert templates - {"__pycache__"} <= {path.name for path in box.iterdir()}


def test_a_unit_file_is_printed(call: Call) -> None:
    said = call("run", "--unit-file")
    assert said.returncode == 0, said.stderr
    assert "[Service]" in said.stdout
