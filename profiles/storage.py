"""Files: reading them with bounds, and saving them so that no half of one is ever seen.

TOML is read with the standard library, which is quick; it is edited in profiles/editing.py, which keeps
comments and order. Nothing here knows what a profile is.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from profiles.errors import FileUnreadable, FileUnwritable, RevisionMoved

__all__ = [
    "MOST_BYTES",
    "decode_text",
    "parse_toml",
    "read_bytes",
    "read_text",
    "revision",
    "save_bytes",
    "save_text",
]

MOST_BYTES = 4 * 2**20
"""A profile or a site is never this long; a longer file is refused before it is read."""

_BOMS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16"}
_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_HINTS = {
    "Expected '=' after a key": "write `key = value`, with texts in quotes",
    "Invalid value": "put texts in quotes; numbers, true, false, dates, [lists] and {tables} go without",
    "Invalid statement": "write `key = value`, or a table's head such as `[line]`",
    "Unterminated string": "end it with the quote that it begins with",
    "Illegal character": "write control characters as escapes, such as \\r",
    "Cannot overwrite": "a key can be given once only",
    "Cannot declare": "a table can be begun once only",
    "Duplicate inline table key": "a key can be given once only",
    "Unescaped '\\'": "use '...' for a text with backslashes, or double them",
}


def read_bytes(path: Path, *, most: int = MOST_BYTES) -> bytes:
    """A regular file's bytes.

    Raises:
        FileUnreadable: it is not there, no regular file, too large, or may not be read.
    """
    where = str(path)
    try:
        # Asked first, since opening a port or a pipe does something to it; a pipe opened in spite of that
        # must not hold us.
        if not stat.S_ISREG(path.stat().st_mode):
            raise _no_file(path)
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(descriptor, "rb") as file:
            data = file.read(most + 1) if os.fstat(descriptor).st_size <= most else None
    except FileNotFoundError:
        raise FileUnreadable(
            "is not there", where=where, todo="look at the spelling and the folder"
        ) from None
    except PermissionError:
        raise FileUnreadable("may not be read", where=where, todo="give yourself the right to it") from None
    except (OSError, ValueError) as error:
        raise FileUnreadable(f"can't be read ({_reason(error)})", where=where) from error
    if data is None or len(data) > most:
        raise FileUnreadable(
            f"is larger than {most / 2**20:g} MiB and was not read",
            where=where,
            todo="name the file that was meant",
        )
    return data


def decode_text(data: bytes, where: str) -> str:
    """The text of a file's bytes: UTF-8, its line ends kept, a byte order mark left out.

    Raises:
        FileUnreadable: it is no UTF-8, or no text.
    """
    for mark, name in _BOMS.items():
        if data.startswith(mark):
            raise FileUnreadable(f"is {name}, not UTF-8", where=where, todo="save it as UTF-8")
    nul = data.find(b"\0")
    if nul >= 0:
        raise FileUnreadable(
            f"is no text: byte {nul} is zero", where=where, todo="name the file that was meant"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileUnreadable(
            f"is not UTF-8: byte {error.start} is {data[error.start]:02X} hex",
            where=where,
            todo="save it as UTF-8",
            line=data.count(b"\n", 0, error.start) + 1,
        ) from None


def read_text(path: Path) -> str:
    """A file's text.

    Raises:
        FileUnreadable: see ``read_bytes`` and ``decode_text``.
    """
    return decode_text(read_bytes(path), str(path))


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """A TOML text's data.

    Raises:
        FileUnreadable: it is no TOML; ``line`` says where.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = _AT.search(message)
        what = _AT.sub("", message)
        line = text.count("\n") + 1
        if found and found[1]:
            line = int(found[1])
            what = f"{what} (column {found[2]})"
        todo = next((hint for start, hint in _HINTS.items() if message.startswith(start)), "")
        raise FileUnreadable(
            f"is no TOML: {what[0].lower()}{what[1:]}", where=where, todo=todo, line=line
        ) from None
    except RecursionError:
        raise FileUnreadable(
            "is no TOML that can be read: lists within lists without end", where=where
        ) from None
    except ValueError:
        raise FileUnreadable("has a number of thousands of digits", where=where) from None


def revision(text: str) -> str:
    """A short name for exactly this text; it changes with every change of the text."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def save_text(path: Path, text: str, *, expect_revision: str | None = None) -> str:
    """Save a text: whole or not at all, with the version before it beside it as ``NAME~``.

    The file's mode and, where the system lets us, its owner stay; a symbolic link stays one and the file it
    leads to is saved.

    Args:
        path: the file.
        text: its new text.
        expect_revision: the revision of the text that the change began from; an empty text for a file that
            must not be there yet; None to save whatever stands there.

    Returns:
        The new revision.

    Raises:
        RevisionMoved: the file is no longer the one that the change began from; nothing was written.
        FileUnwritable: it can't be written; what stood there still does.
        FileUnreadable: what stands there is no file.
    """
    try:
        data = text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise FileUnwritable(
            f"has a character that no file can hold, at {error.start}", where=str(path)
        ) from None
    if len(data) > MOST_BYTES:
        raise FileUnwritable(f"would be larger than {MOST_BYTES // 2**20} MiB", where=str(path))
    try:
        target = Path(os.path.realpath(path))
        with _alone_in(target.parent):
            before = read_bytes(target) if target.exists() else None
            if expect_revision is not None:
                _must_stand(path, before, expect_revision)
            if before is not None and not os.access(target, os.W_OK):
                raise FileUnwritable("is read-only", where=str(path), todo="save it under another name")
            if before != data:
                if before is not None:
                    save_bytes(target.with_name(f"{target.name}~"), before, like=target)
                save_bytes(target, data, like=target)
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from error
    return revision(text)


def _must_stand(path: Path, stands: bytes | None, expected: str) -> None:
    """Refuse to save over a text that the one who saves has not seen."""
    if (revision(decode_text(stands, str(path))) if stands is not None else "") != expected:
        what = "was saved by somebody else in between" if stands is not None else "is no longer there"
        raise RevisionMoved(
            what, where=str(path), todo="read it again and make the change in what it says now"
        )


def save_bytes(path: Path, data: bytes, *, like: Path | None = None) -> None:
    """Replace a file whole: temporary file in the same folder, fsync, rename, fsync of the folder.

    Args:
        path: the file; no symbolic link.
        data: what is to stand in it.
        like: a file whose mode and owner it is to have; without one, what the system gives a new file.

    Raises:
        FileUnwritable: it can't be written; what stood there still does.
    """
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.tmp")
    try:
        about = like.stat() if like is not None and like.exists() else None
        descriptor = os.open(
            temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666
        )
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(data)
                file.flush()
                if about is not None:
                    with contextlib.suppress(OSError, AttributeError):
                        os.chown(temporary, about.st_uid, about.st_gid)
                    temporary.chmod(stat.S_IMODE(about.st_mode))
                os.fsync(file.fileno())
            temporary.replace(path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
    except OSError as error:
        raise _unwritable(path, error) from error


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Keep other Linewardens from saving in this folder meanwhile, where the system can do it."""
    try:
        import fcntl
    except ImportError:  # Windows: the revision is still looked at, but not in one step with the saving
        yield
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # a file system without locks
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _sync_folder(folder: Path) -> None:
    """Make a rename last over a loss of power, where folders can be opened (not on Windows)."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _no_file(path: Path) -> FileUnreadable:
    if path.is_dir():
        return FileUnreadable("is a folder", where=str(path), todo="name a file in it")
    return FileUnreadable("is no regular file", where=str(path), todo="name a file")


def _unwritable(path: Path, error: Exception) -> FileUnwritable:
    todo = "look at the room on the disk, and at the folder and its rights"
    return FileUnwritable(f"can't be written ({_reason(error)})", where=str(path), todo=todo)


def _reason(error: Exception) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
