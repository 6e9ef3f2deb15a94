"""Profiles handed on: one file with the captures of the evidence inside, made here and taken in elsewhere.

The file is a zip archive of ``NAME.toml`` and the captures, under the names that the profile gives them. It
may come from anybody, so nothing of it is trusted: names must be those that the profile's evidence has, sizes
are counted as they are unpacked, and nothing is in its place until all of it has been found good.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import stat
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING

from profiles.checking import load_profile
from profiles.errors import BadValue, FileUnreadable, FileUnwritable, LinewardenError, RevisionMoved
from profiles.library import Origin, Source, own_file, own_folder
from profiles.storage import MOST_BYTES, decode_text, read_text, revision, save_text

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from profiles.compiled import CompiledProfile

__all__ = ["MOST_UNPACKED", "export_profile", "import_profile", "save_profile"]

MOST_UNPACKED = 256 * 2**20
"""All files of a profile that is handed on have no more bytes than this together."""

_MOST_FILES = 500
_CHUNK = 2**20
_READING_ENDS_IN = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    OSError,
    NotImplementedError,
    RuntimeError,
    ValueError,
)

Opener = Callable[[], contextlib.AbstractContextManager[IO[bytes]]]


def export_profile(source: Source, target: Path, *, overwrite: bool = False) -> Path:
    """Write a profile and the captures of its evidence into one file.

    Args:
        source: the profile.
        target: the file, or a folder to make ``NAME.zip`` in.
        overwrite: whether a file that is there already may be replaced.

    Returns:
        The file that was written.

    Raises:
        FileUnreadable: the profile or one of its captures can't be read.
        FileFaults: the profile has faults.
        BadValue: the target is there already, or the captures are too large to be handed on.
        FileUnwritable: the target can't be written.
    """
    text = source.text()
    profile = load_profile(text, source.where)
    name = profile.profile.name
    if target.is_dir():
        target /= f"{name}.zip"
    if target.exists() and not overwrite:
        raise BadValue("is there already", where=str(target), todo="choose another name, or say --overwrite")
    captures = _places(profile, source.folder, source.where)
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(4)}.tmp")
    budget = _Budget(source.where)
    try:
        with _removed_on_failure(temporary):
            with zipfile.ZipFile(temporary, "x", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr(f"{name}.toml", text.encode("utf-8"))
                for capture, file in captures.items():
                    with archive.open(capture, "w") as writing:
                        for piece in budget.pieces(_opened(file)):
                            writing.write(piece)
            temporary.replace(target)
    except OSError as error:
        raise FileUnwritable(
            f"can't be written ({error.strerror or error})", where=str(target), todo="look at the folder"
        ) from error
    return target


def import_profile(file: Path, *, own: Path | None = None, replace: bool = False) -> Source:
    """Take in a profile: an exported one, or a plain TOML file with its captures beside it.

    Args:
        file: the file.
        own: the folder of a person's own profiles; by default the user configuration folder's.
        replace: whether one's own profile of the same name may be replaced; it is kept as ``NAME~``.

    Returns:
        The profile in its new place.

    Raises:
        FileUnreadable: the file is none of these, or holds what no export holds.
        FileFaults: the profile has faults; nothing was taken in.
        BadValue: there is one of that name already.
        FileUnwritable: it can't be written to the folder.
    """
    own = own_folder() if own is None else own
    if not _is_zip(file):
        text = read_text(file)
        profile = load_profile(text, str(file))
        beside = {name: _opened(place) for name, place in _places(profile, file.parent, str(file)).items()}
        return _install(profile.profile.name, text, beside, own, replace=replace, where=str(file))
    with _readable(str(file)), zipfile.ZipFile(file) as archive:
        text, profile, openers = _unpacked(archive, file)
        return _install(profile.profile.name, text, openers, own, replace=replace, where=str(file))


def save_profile(source: Source, text: str, expect_revision: str, *, own: Path | None = None) -> Source:
    """Save a profile's new text; a shipped one becomes a person's own, with its captures.

    Args:
        source: the profile that was changed.
        text: its new text; whoever saves has checked it.
        expect_revision: the revision of the text that the change began from.
        own: the folder of a person's own profiles; by default the user configuration folder's.

    Returns:
        Where it is now.

    Raises:
        RevisionMoved: somebody else saved it in between; nothing was written.
        FileUnwritable: it can't be written.
    """
    if source.writable and source.path is not None:
        save_text(source.path, text, expect_revision=expect_revision)
        return source
    if (
        revision(source.text()) != expect_revision
        or own_file(source.name, own_folder() if own is None else own).exists()
    ):
        raise RevisionMoved("was saved by somebody else in between", where=source.where, todo="read it again")
    places = _places(source.load(), source.folder, source.where)
    openers = {name: _opened(place) for name, place in places.items()}
    own = own_folder() if own is None else own
    return _install(source.name, text, openers, own, replace=False, where=source.where)


class _Budget:
    """Counts bytes as they are copied, whatever their file says of its size."""

    def __init__(self, where: str) -> None:
        self._left = MOST_UNPACKED
        self._where = where

    def pieces(self, opener: Opener) -> Iterator[bytes]:
        with _readable(self._where), opener() as reading:
            while piece := reading.read(_CHUNK):
                self._left -= len(piece)
                if self._left < 0:
                    raise BadValue(
                        f"has more than {MOST_UNPACKED // 2**20} MiB of captures",
                        where=self._where,
                        todo="cut the captures to what shows the action",
                    )
                yield piece


@contextlib.contextmanager
def _readable(where: str) -> Iterator[None]:
    """Tell whatever reading an archive or a capture ends in as one kind of error."""
    try:
        yield
    except LinewardenError:
        raise
    except _READING_ENDS_IN as error:
        raise FileUnreadable(f"is damaged, or can't be read ({error})", where=where) from error


def _captures(profile: CompiledProfile) -> list[str]:
    """The captures that the evidence names, each once."""
    names = (evidence.capture for evidence in profile.profile.evidence)
    return list(dict.fromkeys(str(PurePosixPath(name)) for name in names if name))


def _places(profile: CompiledProfile, folder: Traversable, where: str) -> dict[str, Traversable]:
    """The captures that the evidence names, and where each lies."""
    places = {name: folder.joinpath(name) for name in _captures(profile)}
    for name, place in places.items():
        if not place.is_file():
            raise FileUnreadable(
                f"names the capture {name}, which is not there",
                where=where,
                todo="put it back, or take it out of the evidence",
            )
    return places


def _opened(file: Traversable) -> Opener:
    return lambda: file.open("rb")


def _is_zip(file: Path) -> bool:
    try:
        with file.open("rb") as start:
            return start.read(4) == b"PK\x03\x04"
    except (OSError, ValueError):
        return False  # reading it as a text says what is wrong with it


def _unpacked(archive: zipfile.ZipFile, file: Path) -> tuple[str, CompiledProfile, Mapping[str, Opener]]:
    """The profile in an archive, and how to read its captures."""

    def refused(what: str) -> FileUnreadable:
        return FileUnreadable(
            what, where=str(file), todo="take in only what `linewarden profiles export` made"
        )

    infos = {info.filename: info for info in archive.infolist()}
    if len(infos) != len(archive.infolist()) or len(infos) > _MOST_FILES:
        raise refused("holds a name twice, or too many files")
    tops = [name for name in infos if "/" not in name and name.endswith(".toml")]
    if len(tops) != 1:
        raise refused(f"holds {len(tops)} profiles, not one")
    for info in infos.values():
        mode = info.external_attr >> 16
        if info.flag_bits & 1 or (stat.S_IFMT(mode) and not stat.S_ISREG(mode)):
            raise refused(f"holds {info.filename!r}, which is encrypted or no plain file")
    with archive.open(infos[tops[0]]) as top:
        data = top.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise refused(f"holds a profile of more than {MOST_BYTES // 2**20} MiB")
    where = f"{file}: {tops[0]!r}" if not tops[0].isprintable() else f"{file}: {tops[0]}"
    text = decode_text(data, where)
    profile = load_profile(text, where)
    named = _captures(profile)
    if strange := sorted(infos.keys() - {tops[0], *named}):
        raise refused(f"holds {strange[0]!r}, which no evidence names")
    if missing := [name for name in named if name not in infos]:
        raise refused(f"does not hold {missing[0]!r}, which the evidence names")

    def opener(name: str) -> Opener:
        return lambda: archive.open(infos[name])

    return text, profile, {name: opener(name) for name in named}


def _install(
    name: str, text: str, captures: Mapping[str, Opener], own: Path, *, replace: bool, where: str
) -> Source:
    """Put a profile into the folder of one's own: all of it, or nothing."""
    places = [own / f"{name}.toml", own / name]
    if not replace and any(place.exists() for place in places):
        raise BadValue(
            f"you have a profile called {name} already",
            where=where,
            todo="say --replace: the one you have is kept beside it",
        )
    if len({capture.casefold() for capture in captures}) != len(captures) or f"{name}.toml" in captures:
        raise BadValue("has captures whose names can't stand side by side", where=where)
    made = own / f".{name}.{secrets.token_hex(4)}.tmp"
    budget = _Budget(where)
    try:
        own.mkdir(parents=True, exist_ok=True)
        with _removed_on_failure(made):
            made.mkdir()
            save_text(made / f"{name}.toml", text)
            for capture, opener in captures.items():
                (made / capture).parent.mkdir(parents=True, exist_ok=True)
                with (made / capture).open("xb") as writing:
                    for piece in budget.pieces(opener):
                        writing.write(piece)
                    writing.flush()
                    os.fsync(writing.fileno())
            for place in places:
                _set_aside(place)
            made.replace(own / name)
    except OSError as error:
        raise FileUnwritable(
            f"can't be written ({error.strerror or error})", where=str(own / name), todo="look at the folder"
        ) from error
    path = own / name / f"{name}.toml"
    return Source(name, Origin.OWN, path, path.parent)


def _set_aside(place: Path) -> None:
    """Keep what stood there as ``NAME~``, in the place of what was kept there before."""
    if not place.exists():
        return
    kept = place.with_name(f"{place.name}~")
    if kept.is_dir():
        shutil.rmtree(kept)
    place.replace(kept)


@contextlib.contextmanager
def _removed_on_failure(path: Path) -> Iterator[None]:
    try:
        yield
    except BaseException:
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
        raise
