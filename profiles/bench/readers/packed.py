"""Captures that were packed with gzip (RFC 1952), as benches keep large tables.

What a file holds is told by its content, packed or not; its name says only which action it shows, and the
ending that packing adds is no part of that.
"""

from __future__ import annotations

import contextlib
import gzip
import tempfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

from profiles.errors import FileUnreadable

__all__ = ["is_packed", "name_unpacked", "unpacked"]

_BLOCK = 1 << 20
_ENDING = ".gz"
_NO_NAMES = ("", ".", "..")


def is_packed(head: bytes) -> bool:
    """Whether a file that begins so was packed with gzip: its two marks, and its one method (2.3.1)."""
    return head.startswith(b"\x1f\x8b\x08")


def name_unpacked(path: Path) -> Path:
    """The file's name as it was before it was packed; its own where that would be no file's name."""
    name = path.name[: -len(_ENDING)]
    packed = path.name.lower().endswith(_ENDING)
    return path.with_name(name) if packed and name not in _NO_NAMES else path


@contextlib.contextmanager
def unpacked(path: Path, most: int, progress: Callable[[int, int], None] | None = None) -> Iterator[Path]:
    """A file of its content, which is there for as long as the block runs.

    Args:
        path: the packed file.
        most: bytes that the content may have: a small file can hold any amount of nothing.
        progress: told how many bytes of how many were unpacked; what it raises ends the unpacking.

    Raises:
        FileUnreadable: it is damaged, cut off or too large, or there is no room for its content.
    """
    where = str(path)
    with contextlib.ExitStack() as stack:
        try:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="linewarden-"))
            target = Path(folder) / name_unpacked(path).name
            _unpack(path, target, most, progress)
        except EOFError:
            raise FileUnreadable("the packed file is cut off", where=where, todo="copy it again") from None
        except (zlib.error, gzip.BadGzipFile) as error:
            raise FileUnreadable(
                f"the packed file is damaged ({error})", where=where, todo="copy or pack it again"
            ) from None
        except OSError as error:
            raise FileUnreadable(
                f"it can't be unpacked ({error.strerror or error})",
                where=where,
                todo="see that there is room for it in the folder for temporary files",
            ) from error
        yield target


def _unpack(path: Path, target: Path, most: int, progress: Callable[[int, int], None] | None) -> None:
    with path.open("rb") as raw, gzip.open(raw) as packed, target.open("wb") as file:
        size, count = path.stat().st_size, 0
        while block := packed.read(_BLOCK):
            count += len(block)
            if count > most:
                raise FileUnreadable(
                    f"it holds more than {most / 1e9:.1f} GB once it is unpacked",
                    where=str(path),
                    todo="unpack it, and export the part around the message",
                )
            file.write(block)
            if progress is not None:
                progress(raw.tell(), size)
