"""The site's state folder: nobody else's to read, and one controller's at a time."""

from __future__ import annotations

import contextlib
import os
import stat
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

from profiles.errors import ControllerError, ControllerRuns

__all__ = ["Claim", "private_file", "private_folder"]

_CLAIM = "controller.lock"
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def private_folder(folder: Path) -> None:
    """Make ``folder``, or see to it that only its owner can enter it (where file modes mean that).

    A folder that others can enter is closed to them if it is empty or was a state folder before. Any other
    is left as it is: somebody else may live on it.

    Raises:
        ControllerError: it can't be made, is none, or is open to others and holds other things.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if os.name == "posix" and folder.stat().st_mode & _OTHERS:
            if any(folder.iterdir()) and not (folder / _CLAIM).exists():
                raise ControllerError(
                    "other people can enter the state folder, and it holds other things",
                    where=str(folder),
                    todo="name a folder of its own, or close this one with `chmod 700`",
                )
            folder.chmod(0o700)
    except FileExistsError as error:
        raise ControllerError("is no folder", where=str(folder), todo="name another") from error
    except OSError as error:
        raise ControllerError(
            f"the state folder can't be made or closed to others: {error.strerror}",
            where=str(folder),
            todo="check the permissions, or name another folder",
        ) from error


def private_file(path: Path) -> int:
    """Open ``path`` to read and write, made where it is not there, readable by its owner only.

    Returns:
        A file descriptor that child processes don't inherit.

    Raises:
        OSError: it can't be made or opened.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    if os.name == "posix" and os.fstat(handle).st_mode & _OTHERS:
        os.fchmod(handle, 0o600)
    return handle


class Claim:
    """Holds a state folder for one controller, until ``release`` or the end of the process, however it ends.

    Taking it is the first thing that a controller does, before it opens its journal, socket or ports.

    Raises:
        ControllerRuns: another controller holds it; the message names its process.
        ControllerError: the folder can't be used.
    """

    def __init__(self, folder: Path) -> None:
        private_folder(folder)
        self.folder = folder
        path = folder / _CLAIM
        try:
            self._handle = private_file(path)
        except OSError as error:
            raise ControllerError(
                f"the state folder can't be claimed: {error.strerror}",
                where=str(path),
                todo="check the permissions",
            ) from error
        try:
            _lock(self._handle)
        except OSError as error:
            holder = os.pread(self._handle, 32, 0) if hasattr(os, "pread") else os.read(self._handle, 32)
            os.close(self._handle)
            process = holder.decode("ascii", "replace").strip()
            who = f"process {process}" if process.isdigit() else "another process"
            raise ControllerRuns(
                f"a controller already runs here: {who}", where=str(folder), todo="use it, or stop it first"
            ) from error
        # A disk with no room for the number is no reason not to start: the lock is what counts.
        with contextlib.suppress(OSError):
            os.ftruncate(self._handle, 0)
            os.write(self._handle, f"{os.getpid()}\n".encode("ascii"))

    def release(self) -> None:
        """Give the folder up; a second time does nothing."""
        if self._handle >= 0:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, 0)
            os.close(self._handle)
            self._handle = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        # Far behind the text: a locked byte can't be read by others there.
        os.lseek(handle, 1 << 30, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        finally:
            os.lseek(handle, 0, os.SEEK_SET)

else:
    import fcntl

    def _lock(handle: int) -> None:
        # Tied to this opening of the file, not to the process: closing another one does not undo it.
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
