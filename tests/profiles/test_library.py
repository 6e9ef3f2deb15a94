"""Profiles found by name or by path."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from profiles.errors import FileFaults, FileUnreadable, NotKnown
from profiles.library import Origin, find, list_profiles, own_file, own_folder
from tests.profiles.texts import SOUND

SHIPPED = sorted(file.stem for file in (Path(__file__).parents[2] / "profiles" / "builtin").glob("*.toml"))


@pytest.fixture
def own(tmp_path: Path) -> Path:
    folder = tmp_path / "own"
    folder.mkdir()
    return folder


def test_a_shipped_profile(own: Path) -> None:
    source = find("pellgate-chain", own=own)
    assert (source.name, source.origin, source.writable) == ("pellgate-chain", Origin.SHIPPED, False)
    assert source.load().profile.name == "pellgate-chain"
    assert source.where.endswith("pellgate-chain.toml")


@pytest.mark.parametrize("place", ["foyer.toml", "foyer/foyer.toml"])
def test_ones_own(own: Path, place: str) -> None:
    path = own / place
    path.parent.mkdir(exist_ok=True)
    path.write_text(SOUND)
    source = find("foyer", own=own)
    assert (source.origin, source.path, source.writable) == (Origin.OWN, path, True)
    assert source.text() == SOUND
    assert source.folder == path.parent
    assert own_file("foyer", own) == path


def test_ones_own_takes_the_place_of_a_shipped_one(own: Path) -> None:
    (own / "pellgate-chain.toml").write_text(
        SOUND.replace('name = "foyer"', 'name = "foyer"\ntitle = "Mine"')
    )
    assert find("pellgate-chain", own=own).origin is Origin.OWN
    listed = {entry.source.name: entry for entry in list_profiles(own)}
    assert sorted(listed) == SHIPPED
    assert (listed["pellgate-chain"].title, listed["pellgate-chain"].replaces_shipped) == ("Mine", True)
    assert not listed["midi-scene"].replaces_shipped


def test_the_list_without_a_folder_of_ones_own(tmp_path: Path) -> None:
    listed = list_profiles(tmp_path / "none")
    assert [entry.source.name for entry in listed] == SHIPPED
    assert all(entry.title and not entry.problem for entry in listed)


def test_the_list_tells_what_cannot_be_read_and_passes_over_what_is_none(own: Path) -> None:
    (own / "broken.toml").write_text("a = ")
    (own / "odd-title.toml").write_text("title = 5")
    for name in ("foyer.toml~", "Not A Name.toml", ".hidden.toml", "notes.txt"):
        (own / name).write_text(SOUND)
    (own / "empty-folder").mkdir()
    listed = {entry.source.name: entry for entry in list_profiles(own)}
    assert sorted(listed) == sorted(["broken", "odd-title", *SHIPPED])
    assert "is no TOML" in listed["broken"].problem
    assert listed["odd-title"].title == ""


def test_a_path_is_relative_to_the_file_that_names_it(
    tmp_path: Path, own: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "foyer.toml").write_text(SOUND)
    site = tmp_path / "site" / "site.toml"
    for name in ("foyer.toml", "./foyer.toml", "../site/foyer.toml", str(tmp_path / "site" / "foyer.toml")):
        source = find(name, site, own=own)
        assert (source.name, source.origin) == ("foyer", Origin.FILE)
        assert source.text() == SOUND
    monkeypatch.chdir(tmp_path)
    assert find("site/foyer.toml", own=own).text() == SOUND


@pytest.mark.parametrize(
    ("name", "todo"),
    [
        ("pellgate-chian", "did you mean `pellgate-chain`?"),
        ("foyr", "did you mean `foyer`?"),
        ("zzz", f"known here: {', '.join(['foyer', *SHIPPED])}"),
    ],
)
def test_a_name_that_is_not_known(own: Path, name: str, todo: str) -> None:
    (own / "foyer.toml").write_text(SOUND)
    with pytest.raises(NotKnown) as caught:
        find(name, own=own)
    assert caught.value.what == f"no profile is called {name!r}"
    assert caught.value.todo == todo


@pytest.mark.parametrize("name", ["", ".", "..", "~", "Pellgate", "pellgate-chain ", "a\0b", "-a", "a" * 300])
def test_what_is_no_name_is_never_looked_for_as_a_file(own: Path, name: str) -> None:
    with pytest.raises(NotKnown):
        find(name, own=own)


def test_a_path_that_leads_nowhere(own: Path) -> None:
    (own / "foyer.toml").write_text(SOUND)
    with pytest.raises(NotKnown) as caught:
        find("foyr.toml", own / "site.toml", own=own)
    assert "did you mean `foyer.toml`?" in str(caught.value)
    with pytest.raises((NotKnown, FileUnreadable)):
        find("a\0b.toml", own / "site.toml", own=own)
    with pytest.raises((NotKnown, FileUnreadable)):
        find(f"{'a' * 5000}.toml", own / "site.toml", own=own)


def test_one_that_is_found_and_faulty(own: Path) -> None:
    (own / "foyer.toml").write_text(SOUND.replace("baud = 4800", "baud = 0"))
    with pytest.raises(FileFaults, match=r"foyer\.toml:6: line\.baud"):
        find("foyer", own=own).load()


def test_ones_own_are_in_the_user_configuration_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = own_folder()
    assert (folder.name, folder.parent.name) == ("profiles", "linewarden")
    folder.mkdir(parents=True)
    (folder / "foyer.toml").write_text(SOUND)
    assert find("foyer").origin is Origin.OWN


FROM_AN_ARCHIVE = """
import sys
sys.path.insert(0, sys.argv[1])
from pathlib import Path
from profiles.library import find, list_profiles
source = find("pellgate-chain", own=Path("none"))
print(source.where, source.path, source.load().profile.name, len(list_profiles(Path("none"))))
"""


def test_shipped_profiles_are_found_inside_a_packed_program(tmp_path: Path) -> None:
    packed = tmp_path / "program.zip"
    package = Path(__file__).parents[2] / "profiles"
    with zipfile.ZipFile(packed, "w") as archive:
        for file in [*package.glob("*.py"), *(package / "builtin").iterdir()]:
            if file.is_file():
                archive.write(file, file.relative_to(package.parent))
    done = subprocess.run(
        [sys.executable, "-c", FROM_AN_ARCHIVE, str(packed)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    )
    assert done.stdout.split() == [
        f"{packed}/profiles/builtin/pellgate-chain.toml",
        "None",
        "pellgate-chain",
        str(len(SHIPPED)),
    ]
