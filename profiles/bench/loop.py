"""The loop between channels: which line feeds which, how late, over how many hops, and where a chain stops.

A store-and-forward unit starts to repeat a frame when it has received it whole, so its line says the same
frames one frame time later. Between two channels that lateness is the time most common among all pairs of
equal bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from profiles.bench.edges import FloatArray, IntArray
from profiles.bench.uart import Frames, bursts

__all__ = ["Line", "Link", "Loop", "find_loop"]

_FARTHEST_FRAMES = 40
"""Frame times after which a frame is looked for no more."""
_LOOKED_AT = 3000
"""Frames of each line that the delay is found on."""
_STILL_SAME = 0.25
"""Bit times below which two lines are one."""


@dataclass(frozen=True, slots=True)
class Line:
    """A decoded channel, as the loop needs it."""

    name: str
    frames: Frames
    bit: float
    """Seconds in a bit time."""
    frame_bits: float
    """Bit times in a frame."""


@dataclass(frozen=True, slots=True)
class Link:
    """One line says again what another said."""

    source: str
    target: str
    delay: float
    """Seconds from a frame's start on the one to its start on the other, the median."""
    delay_bits: float
    hops: int
    """Store-and-forward units between them; 0 where they are one line, or joined directly."""
    hop_latency: float
    """Seconds that each hop takes beyond the frame itself; below zero where it starts within the stop bit."""
    repeated: int
    """Frames that came again."""
    sent: int
    first_only: bool
    """Whether only the first frame of each burst came again."""

    @property
    def complete(self) -> bool:
        """Whether every frame came again."""
        return self.repeated == self.sent

    @property
    def text(self) -> str:
        """What the link says, in words."""
        if self.hops == 0:
            return f"{self.target} is the same line as {self.source}, or joined to it directly"
        units = "one unit" if self.hops == 1 else f"{self.hops} units"
        text = (
            f"{self.target} repeats {self.source} {self.delay_bits:.2f} bit times "
            f"({self.delay * 1e3:.4g} ms) later: {units} between them, "
            f"{_microseconds(self.hop_latency)} us each beyond the frame itself"
        )
        if self.first_only:
            return text + "; only the first frame of each burst comes again: a unit stopped after it"
        if not self.complete:
            return text + f"; {self.sent - self.repeated} of {self.sent} frames do not come again"
        return text


def _microseconds(seconds: float) -> str:
    """With a sign and two places, and no sign before nothing."""
    return f"{round(seconds * 1e6, 2) + 0.0:+.2f}"


@dataclass(frozen=True, slots=True)
class Loop:
    """How the channels of a capture hang together."""

    links: tuple[Link, ...]
    """Each line with the one that feeds it, in the order of the chain."""
    silent: tuple[str, ...]
    """Lines that say nothing of what any other says."""
    source: str
    target: str
    delay: float
    delay_bits: float
    hops: int
    complete: bool
    text: tuple[str, ...]
    """The same in words, a sentence each."""


def find_loop(lines: Sequence[Line]) -> Loop | None:
    """Find how decoded channels feed each other; None where no channel repeats another."""
    spoken = [line for line in lines if len(line.frames)]
    if len(lines) < 2 or not spoken:
        return None
    feeding = _feeding(spoken)
    if not feeding:
        return None
    ordered = _in_order([line.name for line in spoken], feeding)
    chain = _longest_chain(ordered)
    first, last = chain[0], chain[-1]
    silent = tuple(line.name for line in lines if not len(line.frames))
    delay = sum(link.delay for link in chain)
    bit = next(line.bit for line in spoken if line.name == first.source)
    complete = all(link.complete for link in chain) and not silent
    sentences = [link.text for link in ordered]
    broken = next((link for link in chain if not link.complete), None)
    if broken is not None:
        sentences.append(
            f"the chain stops between {broken.source} and {broken.target}: look at the unit there first"
        )
    sentences += [f"{name} says nothing: no echo gets there" for name in silent]
    hops = sum(link.hops for link in chain)
    return Loop(
        tuple(ordered),
        silent,
        first.source,
        last.target,
        delay,
        delay / bit,
        hops,
        complete,
        tuple(sentences),
    )


def _feeding(lines: Sequence[Line]) -> dict[str, Link]:
    """For each line that repeats another, from whom it has it: the nearest that it repeats as well as any."""
    links = [
        link
        for target in lines
        for source in lines
        if source is not target and (link := _link(source, target))
    ]
    best: dict[str, float] = {}
    for link in links:
        best[link.target] = max(best.get(link.target, 0.0), link.repeated / link.sent)
    feeding: dict[str, Link] = {}
    for link in sorted(links, key=lambda link: (link.delay, -link.repeated)):
        above, cursor = {link.target}, link.source
        while cursor in feeding and cursor not in above:
            above.add(cursor)
            cursor = feeding[cursor].source
        # Messages that come again and again seem to feed a line from the one that it feeds.
        circular = cursor == link.target
        if (
            link.target not in feeding
            and not circular
            and link.repeated / link.sent >= 0.7 * best[link.target]
        ):
            feeding[link.target] = link
    return feeding


def _in_order(names: Sequence[str], feeding: dict[str, Link]) -> list[Link]:
    """The links from the line that feeds the others on."""
    ordered: list[Link] = []
    reached = [name for name in names if name not in feeding] or list(names[:1])
    while reached:
        name = reached.pop(0)
        for link in feeding.values():
            if link.source == name and link not in ordered:
                ordered.append(link)
                reached.append(link.target)
    return ordered or list(feeding.values())[:1]


def _longest_chain(links: Sequence[Link]) -> list[Link]:
    chains: dict[str, list[Link]] = {}
    best: list[Link] = []
    for link in links:
        chain = [*chains.get(link.source, []), link]
        if link.target not in chains:
            chains[link.target] = chain
        if len(chain) > len(best):
            best = chain
    return best


def _link(source: Line, target: Line) -> Link | None:
    """How ``target`` repeats ``source``; None where it doesn't."""
    if not 0.97 < source.bit / target.bit < 1.03:
        return None
    sent, heard = source.frames, target.frames
    delays = _all_delays(sent, heard, source)
    if not len(delays):
        return None
    bit, frame = source.bit, source.frame_bits
    slots = np.rint(delays / (0.5 * bit)).astype(np.int64)
    slots -= slots.min()
    votes = np.bincount(slots)
    # Two neighbouring slots share what falls on their border.
    peak = int(np.argmax(votes[:-1] + votes[1:])) if len(votes) > 1 else 0
    near = delays[(slots == peak) | (slots == peak + 1)]
    delay = float(np.median(near))
    matched = _matched(sent, heard, delay, 0.45 * frame * bit)
    repeated = int((matched >= 0).sum())
    if repeated < min(2, len(sent)) or _by_chance(sent, heard, repeated):
        return None
    here = heard.starts[matched[matched >= 0]] - sent.starts[matched >= 0]
    delay = float(np.median(here))
    bits = delay / bit
    if bits < -_STILL_SAME:
        return None
    hops = 0 if bits < 0.5 * frame else round(bits / frame)
    latency = delay / hops - frame * bit if hops else delay
    return Link(
        source.name,
        target.name,
        delay,
        bits,
        hops,
        latency,
        repeated,
        len(sent),
        _first_only(sent, matched, 20 * bit),
    )


def _all_delays(sent: Frames, heard: Frames, line: Line) -> FloatArray:
    """Times between equal bytes, of every pair near enough."""
    starts, values = sent.starts[:_LOOKED_AT], sent.values[:_LOOKED_AT]
    least, most = -0.3 * line.bit, _FARTHEST_FRAMES * line.frame_bits * line.bit
    first = np.searchsorted(heard.starts, starts + least)
    found = []
    for ahead in range(_FARTHEST_FRAMES + 2):
        index = first + ahead
        there = np.flatnonzero(index < len(heard.starts))
        if not len(there):
            break
        delay = heard.starts[index[there]] - starts[there]
        equal = (heard.values[index[there]] == values[there]) & (delay <= most)
        found.append(delay[equal])
    return np.concatenate(found) if found else np.empty(0)


def _matched(sent: Frames, heard: Frames, delay: float, tolerance: float) -> IntArray:
    """For each frame sent the index of the one heard for it, or -1."""
    if not len(heard):
        return np.full(len(sent), -1)
    expected = sent.starts + delay
    right = np.searchsorted(heard.starts, expected)
    left = np.maximum(right - 1, 0)
    right = np.minimum(right, len(heard.starts) - 1)
    nearer = np.abs(heard.starts[left] - expected) <= np.abs(heard.starts[right] - expected)
    index: IntArray = np.where(nearer, left, right)
    good = (np.abs(heard.starts[index] - expected) <= tolerance) & (heard.values[index] == sent.values)
    return np.where(good, index, -1)


def _by_chance(sent: Frames, heard: Frames, repeated: int) -> bool:
    """Whether so few equal bytes may be there without any link."""
    kinds = len(np.unique(sent.values))
    return (repeated < 0.15 * len(sent) and repeated < 4) or (
        kinds == 1 and repeated < 0.5 * min(len(sent), len(heard))
    )


def _first_only(sent: Frames, matched: IntArray, gap: float) -> bool:
    groups = [(first, stop) for first, stop in bursts(sent, gap) if stop - first > 1]
    if not groups:
        return False
    return all(matched[first] >= 0 and (matched[first + 1 : stop] < 0).all() for first, stop in groups)
