"""A box's files into its folder."""

from __future__ import annotations

from pathlib import Path

from profiles.errors import BadValue, FileUnwritable
from profiles.firmware.export import FirmwareExport
from profiles.firmware.manifest import NAME
from profiles.storage import save_bytes

__all__ = ["must_be_free", "write_firmware"]


def must_be_free(folder: Path, *, replace: bool = False) -> None:
    """Make sure that a box can be written there.

    Raises:
        BadValue: something is there already, and is no box or may not be replaced.
    """
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    if not folder.is_dir():
        raise BadValue("is there already, and is no folder", where=str(folder), todo="choose another name")
    if not (folder / NAME).is_file():
        raise BadValue(
            "is a folder with other things in it", where=str(folder), todo="name one that is not there yet"
        )
    if not replace:
        raise BadValue("has a box already", where=str(folder), todo="choose another name, or say --replace")


def write_firmware(export: FirmwareExport, folder: Path, *, replace: bool = False) -> None:
    """Write a box's source.

    Args:
        export: what is written.
        folder: a folder that is not there yet, or is empty; with ``replace`` also one with a box in it. What
            else stands in that one stays.
        replace: whether a box that is there is written over.

    Raises:
        BadValue: something else is there.
        FileUnwritable: it can't be written.
    """
    must_be_free(folder, replace=replace)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileUnwritable(
            f"can't be made ({error.strerror})", where=str(folder), todo="look at the folder and its rights"
        ) from error
    for name, text in sorted(export.files.items()):
        save_bytes(folder / name, text.encode("utf-8"))
