"""Files read with bounds, and saved whole or not at all."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.errors import FileUnreadable, FileUnwritable, RevisionMoved
from profiles.storage import MOST_BYTES, decode_text, parse_toml, read_text, revision, save_text

posix = pytest.mark.skipif(os.name != "posix", reason="modes and pipes as POSIX has them")


def unreadable(path: Path) -> FileUnreadable:
    with pytest.raises(FileUnreadable) as caught:
        parse_toml(read_text(path), str(path))
    return caught.value


@pytest.mark.parametrize(
    ("content", "words", "line"),
    [
        (b"a = 1\nb = \xff\n", "not UTF-8: byte 10 is FF hex", 2),
        ("a = 1".encode("utf-16"), "UTF-16", None),
        (b"\x7fELF\x02\x01\x01\x00", "is no text: byte 7 is zero", None),
        (b"a = 1\nb = \n", "invalid value", 2),
        (b"a = 1\n\nb", "expected '=' after a key", 3),
        (b"[line\nbaud = 9600", "expected ']'", 1),
        (b"a = 1\na = 2\n", "cannot overwrite a value", 2),
        (b"[a]\n[a]\n", "cannot declare", 2),
        (b'a = "\\q"', "unescaped", 1),
        (b"a = " + b"1" * 5000, "thousands of digits", None),
        (b"a = " + b"[" * 100_000, "lists within lists", None),
    ],
)
def test_content_that_cannot_be_read(tmp_path: Path, content: bytes, words: str, line: int | None) -> None:
    path = tmp_path / "profile.toml"
    path.write_bytes(content)
    error = unreadable(path)
    assert words in error.what
    assert error.line == line
    assert error.where == str(path)
    assert str(error).startswith(f"{path}:{line}: " if line else f"{path}: ")
    assert "\n" not in str(error)
    assert error.fault().line == line


def test_an_empty_file_is_an_empty_table(tmp_path: Path) -> None:
    (tmp_path / "empty.toml").write_bytes(b"")
    assert parse_toml(read_text(tmp_path / "empty.toml"), "empty.toml") == {}


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert "not there" in unreadable(tmp_path / "none.toml").what
    assert "not there" in unreadable(tmp_path / "none" / "none.toml").what


def test_a_name_that_no_file_can_have() -> None:
    assert "can't be read" in unreadable(Path("a\0b")).what
    assert "can't be read" in unreadable(Path("a" * 5000)).what


def test_a_folder(tmp_path: Path) -> None:
    assert unreadable(tmp_path).what == "is a folder"


@posix
def test_a_pipe_and_a_device_are_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")  # opening it would wait for a writer
    assert unreadable(tmp_path / "pipe").what == "is no regular file"
    assert unreadable(Path("/dev/zero")).what == "is no regular file"


def test_a_file_of_100_mb_is_refused_by_its_size(tmp_path: Path) -> None:
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    assert "larger than 4 MiB" in unreadable(path).what


@posix
def test_a_file_that_says_nothing_of_its_size() -> None:
    # Files of /proc say that they are empty, and are not; what they hold is read all the same.
    assert read_text(Path("/proc/self/status")).startswith("Name:")


def test_line_ends_are_kept_and_a_byte_order_mark_is_not(tmp_path: Path) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\nb = 2\r\n")
    assert read_text(path) == "a = 1\r\nb = 2\r\n"
    assert parse_toml(read_text(path), "x") == {"a": 1, "b": 2}


@given(st.binary(max_size=60))
def test_any_bytes_are_text_or_refused(data: bytes) -> None:
    try:
        text = decode_text(data, "x")
    except FileUnreadable:
        return
    assert text.encode("utf-8") == data.removeprefix(b"\xef\xbb\xbf")


@given(st.one_of(st.text(max_size=60), st.text(alphabet="ab=.[]{}\"'\\\n0-:T ", max_size=30)))
def test_any_text_is_toml_or_refused(text: str) -> None:
    try:
        data = parse_toml(text, "x")
    except FileUnreadable as error:
        line = error.line
    else:
        line = None
        assert isinstance(data, dict)
    assert line is None or 1 <= line <= text.count("\n") + 1


def test_saved_and_read_again(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    first = save_text(path, "a = 1\r\n", expect_revision="")
    assert path.read_bytes() == b"a = 1\r\n"
    assert first == revision("a = 1\r\n")
    second = save_text(path, "a = 2\n", expect_revision=first)
    assert (read_text(path), second) == ("a = 2\n", revision("a = 2\n"))
    assert (tmp_path / "own.toml~").read_bytes() == b"a = 1\r\n"
    assert sorted(file.name for file in tmp_path.iterdir()) == ["own.toml", "own.toml~"]


def test_saving_the_same_text_keeps_the_version_before(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    for text in ("a = 1\n", "a = 2\n", "a = 2\n"):
        save_text(path, text)
    assert (tmp_path / "own.toml~").read_text() == "a = 1\n"


@pytest.mark.parametrize(
    ("stands", "expected"),
    [("theirs\n", "ours\n"), ("theirs\n", None), (None, "ours\n")],
    ids=["moved", "new", "gone"],
)
def test_nothing_is_overwritten_unseen(tmp_path: Path, stands: str | None, expected: str | None) -> None:
    path = tmp_path / "own.toml"
    if stands is not None:
        path.write_text(stands)
    with pytest.raises(RevisionMoved):
        save_text(path, "a = 3\n", expect_revision=revision(expected) if expected else "")
    assert (path.read_text() if path.exists() else None) == stands
    assert not (tmp_path / "own.toml~").exists()


def test_of_many_who_save_at_once_one_is_first(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    before = save_text(path, "start\n")
    outcomes: list[str] = []

    def save(name: str) -> None:
        try:
            outcomes.append(save_text(path, f"{name}\n", expect_revision=before))
        except RevisionMoved:
            outcomes.append("moved")

    threads = [threading.Thread(target=save, args=(f"name{number}",)) for number in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert outcomes.count("moved") == 11
    assert revision(path.read_text()) in outcomes
    assert (tmp_path / "own.toml~").read_text() == "start\n"


@posix
def test_the_mode_stays_and_a_link_stays_a_link(tmp_path: Path) -> None:
    target = tmp_path / "folder" / "real.toml"
    target.parent.mkdir()
    target.write_text("a = 1\n")
    target.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(target)
    save_text(link, "a = 2\n")
    assert link.is_symlink()
    assert target.read_text() == "a = 2\n"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert stat.S_IMODE((target.parent / "real.toml~").stat().st_mode) == 0o640


@posix
def test_a_new_file_gets_the_mode_that_the_system_gives(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    save_text(tmp_path / "new.toml", "a = 1\n")
    assert (tmp_path / "new.toml").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_where_nothing_can_be_saved(tmp_path: Path) -> None:
    for path in (tmp_path / "none" / "own.toml", Path("a\0b"), tmp_path / ("a" * 300)):
        with pytest.raises(FileUnwritable):
            save_text(path, "a = 1\n")
    with pytest.raises(FileUnreadable, match="folder"):
        save_text(tmp_path, "a = 1\n")
    with pytest.raises(FileUnwritable, match="4 MiB"):
        save_text(tmp_path / "own.toml", "a" * (MOST_BYTES + 1))
    with pytest.raises(FileUnwritable, match="no file can hold"):
        save_text(tmp_path / "own.toml", "\ud800")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the administrator may write everything")
def test_a_read_only_file_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text("a = 1\n")
    path.chmod(0o444)
    with pytest.raises(FileUnwritable, match="read-only"):
        save_text(path, "a = 2\n")
    assert path.read_text() == "a = 1\n"


# The system refuses to write past this size, as it does on a disk without room.
WITHOUT_ROOM = """
import resource, sys
from pathlib import Path
from profiles.errors import FileUnwritable
from profiles.storage import save_text
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
try:
    save_text(Path(sys.argv[1]), "b = 2\\n" * 2000)
except FileUnwritable as error:
    print(error)
"""


@posix
def test_without_room_what_stood_there_still_does(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text("a = 1\n")
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_ROOM, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    )
    assert "can't be written (File too large)" in done.stdout
    assert path.read_text() == "a = 1\n"
    assert [file.name for file in tmp_path.iterdir() if file.name.endswith(".tmp")] == []


SAVES_FOR_EVER = """
import sys
from pathlib import Path
from profiles.storage import save_text
number = 0
while True:
    number += 1
    save_text(Path(sys.argv[1]), f"# {number}\\n" + f"line = {number}\\n" * 20_000)
    if number == 3:
        print("saving", flush=True)
"""


@posix
def test_killed_while_saving_the_file_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    for _ in range(6):
        process = subprocess.Popen(
            [sys.executable, "-c", SAVES_FOR_EVER, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "saving\n"
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        for file in (path, tmp_path / "own.toml~"):
            head, *lines = file.read_text().splitlines()
            assert lines == [f"line = {head.removeprefix('# ')}"] * 20_000


@given(st.text(max_size=30), st.text(max_size=30))
def test_revisions_differ_where_texts_do(one: str, other: str) -> None:
    assert (revision(one) == revision(other)) == (one == other)


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\0")))
def test_any_text_is_saved_as_it_is(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "own.toml"
        assert save_text(path, text) == revision(text)
        assert path.read_bytes() == text.encode("utf-8")
