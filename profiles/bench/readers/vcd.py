"""Value change dumps, as IEEE 1364-2005 clause 18 defines them.

The header is read word by word. The changes are read many at a time: words are found by their blanks, those
that begin with # are times, those that begin with a scalar value are changes, and the rest of a change says
of what. Vectors and real numbers are passed over, with a note; x and z leave a level as it was.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from profiles.bench.capture import Capture, Channel, ChannelKind
from profiles.bench.edges import Edges, IntArray
from profiles.errors import FileUnreadable

__all__ = ["read_vcd"]

_BLOCK = 1 << 22
_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
_TIMESCALE = re.compile(r"(1|10|100)\s*(s|ms|us|ns|ps|fs)")
_COMMENT = re.compile(rb"(?<!\S)\$comment\s.*?\s\$end(?!\S)", re.DOTALL)
_OPEN_COMMENT = re.compile(rb"(?<!\S)\$comment\s")
_VECTOR = re.compile(rb"(?<!\S)[bBrR][^\s]*\s+[^\s]+")
_ANY_VECTOR = re.compile(rb"(?<!\S)[bBrR]")
_SINGLE = re.compile(rb"(?<!\S)[bB]([01xXzZ])\s+([^\s]+)")
_HEADER = 1 << 24
"""Bytes in which the header has to end."""
_IS_CHANGE = np.isin(np.arange(256), np.frombuffer(b"01xXzZ", np.uint8))
"""For each byte whether it is a scalar's value."""
Bytes = npt.NDArray[np.uint8]


class _Header:
    """What the declarations say."""

    def __init__(self, text: str, where: str) -> None:
        self.tick = 0.0
        self.names: dict[str, list[str]] = {}
        self.vectors: list[str] = []
        scopes: list[str] = []
        words = iter(text.split())
        for word in words:
            if word not in ("$timescale", "$scope", "$upscope", "$var", "$date", "$version", "$comment"):
                continue
            body = []
            for part in words:
                if part == "$end":
                    break
                body.append(part)
            if word == "$timescale":
                self.tick = self._timescale(" ".join(body), where)
            elif word == "$scope" and len(body) > 1:
                scopes.append(body[1])
            elif word == "$upscope" and scopes:
                scopes.pop()
            elif word == "$var" and len(body) >= 4:
                self._variable(body, scopes)
        if not self.tick:
            raise FileUnreadable(
                "the value change dump has no $timescale", where=where, todo="is it cut off?"
            )

    @staticmethod
    def _timescale(text: str, where: str) -> float:
        found = _TIMESCALE.fullmatch(text.strip())
        if not found:
            raise FileUnreadable(
                f"{text!r} is no timescale", where=where, todo="IEEE 1364 has 1, 10 or 100, s to fs"
            )
        return float(found.group(1)) * _UNITS[found.group(2)]

    def _variable(self, body: list[str], scopes: list[str]) -> None:
        kind, size, code = body[0], body[1], body[2]
        name = ".".join([*scopes, "".join(body[3:])])
        if size == "1" and kind not in ("real", "realtime", "event", "parameter", "time"):
            self.names.setdefault(code, []).append(name)
        else:
            self.vectors.append(name)


def read_vcd(path: Path, *, progress: Callable[[int, int], None] | None = None) -> Capture:
    """Read a value change dump: every one-bit variable is a channel.

    Args:
        path: the file.
        progress: told how many bytes of how many were read; what it raises ends the reading.

    Raises:
        FileUnreadable: the header is not complete, there is no one-bit variable, or time runs backwards.
    """
    where = str(path)
    with path.open("rb") as file:
        head = file.read(_HEADER)
        end = re.search(rb"\$enddefinitions\s+\$end(?!\S)", head)
        if not end:
            raise FileUnreadable(
                "the value change dump ends, or goes on for 16 MB, before $enddefinitions",
                where=where,
                todo="it is cut off: record again",
            )
        header = _Header(head[: end.start()].decode("latin-1"), where)
        if not header.names:
            raise FileUnreadable(
                "there is no variable of one bit in it", where=where, todo="dump the line itself"
            )
        changes = _Changes(header, where)
        file.seek(end.end())
        size = path.stat().st_size
        for block in _word_blocks(file):
            if progress is not None:
                progress(file.tell(), size)
            changes.add(block)
    return _capture(where, header, changes)


def _word_blocks(file: BinaryIO) -> Iterator[bytes]:
    """Blocks that end between two lines, never inside a comment."""
    rest = b""
    while True:
        block = file.read(_BLOCK)
        if not block:
            if rest.strip():
                yield rest
            return
        joined = rest + block
        cut = joined.rfind(b"\n") + 1 or joined.rfind(b" ") + 1
        opened = list(_OPEN_COMMENT.finditer(joined, 0, cut)) if b"$comment" in joined else []
        if opened and b"$end" not in joined[opened[-1].end() : cut]:
            cut = opened[-1].start()
        # A vector's value and its code may stand on two lines.
        tail = joined[:cut].rstrip()
        last = tail[max(tail.rfind(b"\n"), tail.rfind(b" "), tail.rfind(b"\t")) + 1 :]
        if last[:1] in b"bBrR" and last:
            cut = len(tail) - len(last)
        if cut:
            yield joined[:cut]
        rest = joined[cut:]


class _Changes:
    """Gathers the changes of all one-bit variables."""

    def __init__(self, header: _Header, where: str) -> None:
        self._where = where
        codes = sorted(header.names, key=lambda code: _packed(code.encode("latin-1")))
        self.codes = codes
        self._keys = np.array([_packed(code.encode("latin-1")) for code in codes], np.uint64)
        if len(np.unique(self._keys)) < len(codes):
            raise FileUnreadable(
                "two of its variables have codes that end in the same eight characters",
                where=where,
                todo="dump fewer variables: the codes are shorter then",
            )
        self._now = 0
        self.found: list[list[tuple[IntArray, npt.NDArray[np.int8]]]] = [[] for _ in codes]
        self.strange = 0
        self.end = 0
        self.begin: int | None = None

    def add(self, block: bytes) -> None:
        """Take in a block of whole words."""
        if b"$comment" in block:
            block = _COMMENT.sub(b" ", block)
        if any(letter in block for letter in (b"b", b"B", b"r", b"R")) and _ANY_VECTOR.search(block):
            block = _SINGLE.sub(rb"\1\2", block)
            block = _VECTOR.sub(b" ", block)
        text = np.frombuffer(block + b" ", np.uint8)
        solid = text > 32
        turns = np.flatnonzero(solid[1:] != solid[:-1]) + 1
        if solid[0]:
            turns = np.concatenate(([0], turns))
        begins, ends = turns[0::2], turns[1::2]
        if not len(begins):
            return
        first = text[begins]
        is_time = first == ord("#")
        lengths = ends - begins
        times = self._times(text, begins[is_time], lengths[is_time])
        is_change = _IS_CHANGE[first]
        self.strange += len(first) - int((is_time | is_change | (first == ord("$"))).sum())
        which = np.cumsum(is_time)[is_change]
        at = np.concatenate(([self._now], times))[which]
        if len(times):
            if self.begin is None:
                self.begin = int(times[0])
            self._now = int(times[-1])
            self.end = max(self.end, self._now)
        self._sort_out(text, begins[is_change], lengths[is_change], first[is_change], at)

    def _times(self, text: Bytes, begins: IntArray, lengths: IntArray) -> IntArray:
        """The numbers after the # signs."""
        times = np.zeros(len(begins), np.int64)
        for length in np.flatnonzero(np.bincount(lengths)).tolist():
            rows = np.flatnonzero(lengths == length)
            starts = begins[rows]
            value = np.zeros(len(rows), np.int64)
            if not 2 <= length <= 19:
                raise FileUnreadable("a time in the dump is no number", where=self._where)
            for place in range(1, length):
                digit = text[starts + place]
                if ((digit < 48) | (digit > 57)).any():
                    raise FileUnreadable("a time in the dump is no whole number", where=self._where)
                value = value * 10 + (digit - 48)
            times[rows] = value
        if len(times) and (times[0] < self._now or (times[1:] < times[:-1]).any()):
            raise FileUnreadable(
                "time runs backwards in the dump",
                where=self._where,
                todo="are two dumps in one file? cut them apart",
            )
        return times

    def _sort_out(self, text: Bytes, begins: IntArray, lengths: IntArray, first: Bytes, at: IntArray) -> None:
        """Give each change to its variable."""
        codes = lengths - 1
        keys = np.zeros(len(begins), np.uint64)
        for place in range(int(codes.max(initial=0))):
            has = codes > place
            if has.all():
                keys = keys << np.uint64(8) | text[begins + (place + 1)]
            else:
                keys[has] = keys[has] << np.uint64(8) | text[begins[has] + (place + 1)]
        low = first | 0x20
        value = np.where(first == ord("1"), 1, 0).astype(np.int8)
        value[(low == ord("x")) | (low == ord("z"))] = -1
        for index, key in enumerate(self._keys):
            mine = (
                np.flatnonzero(keys == key) if len(self._keys) > 1 or not (keys == key).all() else slice(None)
            )
            if isinstance(mine, slice) or len(mine):
                self.found[index].append((at[mine], value[mine]))


def _packed(code: bytes) -> int:
    """An identifier code as one number: by its last eight characters, where it is longer."""
    return int.from_bytes(code[-8:], "big")


def _capture(where: str, header: _Header, changes: _Changes) -> Capture:
    begin = changes.begin or 0
    end = changes.end - begin
    channels = []
    for code, parts in zip(changes.codes, changes.found, strict=True):
        names = header.names[code]
        at = np.concatenate([part[0] for part in parts]) if parts else np.empty(0, np.int64)
        value = np.concatenate([part[1] for part in parts]) if parts else np.empty(0, np.int8)
        known = value >= 0
        at, value = at[known], value[known]
        notes: list[str] = []
        if len(known) - int(known.sum()) > 1:
            notes.append(f"{len(known) - int(known.sum())} values x or z taken for the level before")
        if len(names) > 1:
            notes.append("the same line as " + ", ".join(names[1:]))
        if not len(at):
            notes.append("it has no value at all")
        level = int(value[0]) if len(value) else 0
        change = np.flatnonzero(value[1:] != value[:-1]) + 1
        edges = Edges((at[change] - begin).astype(np.int64), level, header.tick, float(end), 1.0)
        edges = _without_zero_time(edges)
        channels.append(
            Channel(
                names[0],
                ChannelKind.LOGIC,
                f"variable {names[0]} (one bit)",
                None,
                None,
                edges,
                notes=tuple(notes),
            )
        )
    notes = [f"one tick is {header.tick:g} s"]
    if header.vectors:
        more = f" and {len(header.vectors) - 3} more" if len(header.vectors) > 3 else ""
        notes.append(f"vectors and numbers passed over: {', '.join(header.vectors[:3])}{more}")
    if changes.strange:
        notes.append(f"{changes.strange} words are none of the standard's and were passed over")
    return Capture(where, "a value change dump", tuple(channels), tuple(notes))


def _without_zero_time(edges: Edges) -> Edges:
    """Drop pairs of changes at one instant: a simulator's way of settling, nothing that was on the line."""
    ticks = edges.ticks
    same = ticks[1:] == ticks[:-1]
    if not same.any():
        return edges
    # Of a row of changes at one instant an even number is nothing and an odd number is one.
    instants, counts = np.unique(ticks, return_counts=True)
    return Edges(instants[counts % 2 == 1], edges.first_level, edges.tick, edges.end, edges.resolution)
