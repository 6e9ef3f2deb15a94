"""Profiles handed on as one file, and taken in from anybody."""

from __future__ import annotations

import io
import stat
import tempfile
import warnings
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles import exchange
from profiles.errors import BadValue, FileFaults, FileUnreadable, FileUnwritable, InputError, RevisionMoved
from profiles.exchange import export_profile, import_profile, save_profile
from profiles.library import Origin, find
from profiles.storage import revision
from tests.profiles.texts import SOUND

CAPTURED = SOUND + 'capture = "captures/power on.csv"\n'
CAPTURE = b"0.0,3.3\n0.1,0.0\n" * 1000


@pytest.fixture
def own(tmp_path: Path) -> Path:
    return tmp_path / "own"


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A profile with a capture, as its author has it."""
    folder = tmp_path / "author"
    (folder / "captures").mkdir(parents=True)
    (folder / "foyer.toml").write_text(CAPTURED)
    (folder / "captures" / "power on.csv").write_bytes(CAPTURE)
    return folder / "foyer.toml"


def packed(path: Path, *entries: tuple[str, bytes], text: str = CAPTURED) -> Path:
    """An archive as somebody could have made it by hand."""
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w") as archive:
        warnings.simplefilter("ignore")  # a name given twice
        archive.writestr("foyer.toml", text)
        for name, content in entries:
            archive.writestr(name, content)
    return path


def tree(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def test_handed_on_and_taken_in(tmp_path: Path, own: Path, made: Path) -> None:
    target = export_profile(find(str(made)), tmp_path)
    assert target == tmp_path / "foyer.zip"
    source = import_profile(target, own=own)
    assert (source.name, source.origin) == ("foyer", Origin.OWN)
    wanted = {"foyer/foyer.toml": CAPTURED.encode(), "foyer/captures/power on.csv": CAPTURE}
    assert tree(own) == wanted
    assert find("foyer", own=own).load().profile.name == "foyer"
    again = export_profile(find("foyer", own=own), tmp_path / "again.zip")
    import_profile(again, own=tmp_path / "other")
    assert tree(tmp_path / "other") == wanted


@pytest.mark.parametrize("name", ["pellgate-chain", "modbus-relay"])
def test_a_shipped_one_handed_on(tmp_path: Path, own: Path, name: str) -> None:
    target = export_profile(find(name, own=own), tmp_path / "x.zip")
    source = import_profile(target, own=own)
    assert source.text() == find(name, own=tmp_path / "none").text()


def test_a_plain_file_is_taken_in_with_its_captures(own: Path, made: Path) -> None:
    assert import_profile(made, own=own).name == "foyer"
    assert set(tree(own)) == {"foyer/foyer.toml", "foyer/captures/power on.csv"}


def test_nothing_is_overwritten_unseen(tmp_path: Path, own: Path, made: Path) -> None:
    target = export_profile(find(str(made)), tmp_path)
    with pytest.raises(BadValue, match="is there already"):
        export_profile(find(str(made)), tmp_path)
    assert export_profile(find(str(made)), target, overwrite=True) == target
    own.mkdir()
    (own / "foyer.toml").write_text(SOUND)
    with pytest.raises(BadValue, match="you have a profile called foyer already"):
        import_profile(target, own=own)
    assert tree(own) == {"foyer.toml": SOUND.encode()}
    import_profile(target, own=own, replace=True)
    import_profile(target, own=own, replace=True)
    import_profile(target, own=own, replace=True)
    assert set(tree(own)) == {
        "foyer.toml~", "foyer/foyer.toml", "foyer/captures/power on.csv",
        "foyer~/foyer.toml", "foyer~/captures/power on.csv",
    }  # fmt: skip
    assert (own / "foyer.toml~").read_text() == SOUND


def test_a_capture_that_is_not_there(tmp_path: Path, own: Path, made: Path) -> None:
    (made.parent / "captures" / "power on.csv").unlink()
    for attempt in (lambda: export_profile(find(str(made)), tmp_path), lambda: import_profile(made, own=own)):
        with pytest.raises(
            FileUnreadable, match=r"names the capture captures/power on\.csv, which is not there"
        ):
            attempt()
    assert not own.exists()
    assert not (tmp_path / "foyer.zip").exists()


def test_a_faulty_profile_is_neither_handed_on_nor_taken_in(tmp_path: Path, own: Path, made: Path) -> None:
    made.write_text(CAPTURED.replace("baud = 4800", "baud = 0"))
    for attempt in (lambda: export_profile(find(str(made)), tmp_path), lambda: import_profile(made, own=own)):
        with pytest.raises(FileFaults):
            attempt()
    assert not own.exists()


CSV = ("captures/power on.csv", CAPTURE)


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        ([], "does not hold 'captures/power on.csv'"),
        ([CSV, ("../evil.csv", b"x")], "holds '../evil.csv', which no evidence names"),
        ([CSV, ("/etc/evil", b"x")], "holds '/etc/evil', which no evidence names"),
        ([CSV, ("captures\\evil", b"x")], "which no evidence names"),
        ([CSV, CSV], "holds a name twice"),
        ([CSV, ("other.toml", b"")], "holds 2 profiles"),
        ([CSV, *((f"c{n}", b"") for n in range(600))], "too many files"),
    ],
)
def test_an_archive_with_something_else_in_it(
    tmp_path: Path, own: Path, entries: list[tuple[str, bytes]], words: str
) -> None:
    with pytest.raises(FileUnreadable) as caught:
        import_profile(packed(tmp_path / "evil.zip", *entries), own=own)
    assert words in caught.value.what
    assert not own.exists()


@pytest.mark.parametrize(
    "capture", ["../evil.csv", "/tmp/evil.csv", "C:\\evil.csv", "captures/../../evil.csv", "power.csv:evil"]
)
def test_evidence_that_names_a_file_elsewhere(tmp_path: Path, own: Path, capture: str) -> None:
    text = SOUND + f"capture = '{capture}'\n"
    with pytest.raises(FileFaults, match="no file beside the profile"):
        import_profile(packed(tmp_path / "evil.zip", (capture, b"x"), text=text), own=own)
    assert not own.exists()


def test_captures_whose_names_are_one_where_case_is_none(tmp_path: Path, own: Path) -> None:
    text = (
        SOUND
        + 'capture = "a.csv"\n[[evidence]]\naction = "power-on"\nbytes = "A5 01 01 02"\ncapture = "A.csv"\n'
    )
    with pytest.raises(BadValue, match="side by side"):
        import_profile(packed(tmp_path / "evil.zip", ("a.csv", b""), ("A.csv", b""), text=text), own=own)


def test_a_link_in_an_archive(tmp_path: Path, own: Path) -> None:
    info = zipfile.ZipInfo(CSV[0])
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    path = tmp_path / "evil.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("foyer.toml", CAPTURED)
        archive.writestr(info, "/etc/passwd")
    with pytest.raises(FileUnreadable, match="no plain file"):
        import_profile(path, own=own)


def test_sizes_are_counted_as_they_are_unpacked(
    tmp_path: Path, own: Path, made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A megabyte of zeros packs into a kilobyte: what counts is what comes out.
    monkeypatch.setattr(exchange, "MOST_UNPACKED", 2**20)
    zeros = bytes(2**20 + 1)
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("foyer.toml", CAPTURED)
        archive.writestr(CSV[0], zeros)
    assert path.stat().st_size < 20_000
    with pytest.raises(BadValue, match="MiB of captures"):
        import_profile(path, own=own)
    assert list(own.iterdir()) == []
    (made.parent / CSV[0]).write_bytes(zeros)
    with pytest.raises(BadValue, match="MiB of captures"):
        export_profile(find(str(made)), tmp_path)
    assert not [file for file in tmp_path.iterdir() if file.name.startswith(".")]
    assert not (tmp_path / "foyer.zip").exists()


def test_a_profile_in_an_archive_is_never_read_past_its_limit(tmp_path: Path, own: Path) -> None:
    with pytest.raises(FileUnreadable, match="more than 4 MiB"):
        import_profile(packed(tmp_path / "bomb.zip", text="#" * (5 * 2**20)), own=own)


@pytest.mark.parametrize("name", ["none.zip", "."])
def test_what_is_no_file(tmp_path: Path, own: Path, name: str) -> None:
    with pytest.raises(FileUnreadable):
        import_profile(tmp_path / name, own=own)


def test_where_nothing_can_be_written(tmp_path: Path, made: Path) -> None:
    with pytest.raises(FileUnwritable):
        export_profile(find(str(made)), tmp_path / "none" / "x.zip")
    (tmp_path / "file").write_text("")
    with pytest.raises(FileUnwritable):
        import_profile(made, own=tmp_path / "file" / "own")


def whole_archive() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("foyer.toml", CAPTURED)
        archive.writestr(*CSV)
    return data.getvalue()


WHOLE = whole_archive()


@given(
    st.lists(st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(0, 255)), max_size=6),
    st.integers(0, len(WHOLE)),
    st.booleans(),
)
def test_any_damage_is_refused_or_harmless(changes: list[tuple[int, int]], length: int, cut: bool) -> None:
    data = bytearray(WHOLE)
    for place, byte in changes:
        data[place] = byte
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "x.zip").write_bytes(data[:length] if cut else data)
        try:
            import_profile(folder / "x.zip", own=folder / "own")
        except InputError:
            assert not (folder / "own" / "foyer").exists()
        else:
            assert tree(folder / "own") == {"foyer/foyer.toml": CAPTURED.encode(), f"foyer/{CSV[0]}": CAPTURE}
        assert {file.name for file in folder.iterdir()} <= {"x.zip", "own"}


def test_saving_a_shipped_profile_makes_one_of_ones_own(own: Path) -> None:
    shipped = find("pellgate-chain", own=own)
    text = shipped.text()
    mine = save_profile(shipped, text.replace("retries = 2", "retries = 3"), revision(text), own=own)
    assert mine.origin is Origin.OWN
    assert find("pellgate-chain", own=own).load().confirm.retries == 3
    assert shipped.text() == text
    with pytest.raises(RevisionMoved):
        save_profile(shipped, text, revision(text), own=own)
    again = save_profile(mine, text, revision(mine.text()), own=own)
    assert again.text() == text
    with pytest.raises(RevisionMoved):
        save_profile(mine, "", revision("something else"), own=own)
