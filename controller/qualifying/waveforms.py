"""What was on the line during a run against what should have been: captures compared, with their pictures.

Reads files, and numpy comes in with it: for a thread of its own, and only where a capture is given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from controller.qualifying.captures import CaptureGiven
from profiles.bench.comparison import Comparison, compare, read_alike
from profiles.bench.comparison_report import comparison_json
from profiles.bench.decoding import DecodedChannel, DecodedSegment, DecodeOptions, decode_capture
from profiles.bench.ideal import ideal_channel, options_of
from profiles.bench.pictures import comparison_svg
from profiles.bench.readers.opening import read_capture
from profiles.compiled import CompiledProfile
from profiles.errors import NotKnown
from profiles.model import Value

__all__ = ["Waveform", "compare_captures"]


@dataclass(frozen=True, slots=True)
class Waveform:
    """One comparison."""

    action: str
    file: str
    channel: str
    original: str
    """What it was compared with, in words."""
    messages: int
    """How often the capture has the action's message whole."""
    comparison: Comparison
    picture: str
    """SVG."""

    @property
    def document(self) -> dict[str, object]:
        """As plain JSON values, without the picture."""
        return {
            "action": self.action,
            "file": self.file,
            "channel": self.channel,
            "original": self.original,
            "messages": self.messages,
            **comparison_json(self.comparison),
        }


def compare_captures(
    given: Sequence[CaptureGiven],
    profile: CompiledProfile,
    parameters: Mapping[str, Mapping[str, Value]],
    address: int | None,
) -> list[Waveform]:
    """Compare captures of a run's actions.

    Args:
        given: the captures.
        profile: the unit's profile: its line settings and what each action says.
        parameters: of each action that has some.
        address: the unit's.

    Raises:
        FileUnreadable: a capture can't be read.
        NotKnown: there is no such action or channel, or nothing can be told of a capture's bytes.
    """
    return [_compared(each, profile, parameters.get(each.action, {}), address) for each in given]


def _compared(
    given: CaptureGiven, profile: CompiledProfile, parameters: Mapping[str, Value], address: int | None
) -> Waveform:
    action = profile.action(given.action)
    message = action.message(action.parameters(parameters), address=address)
    measured = options_of(profile.line, baud=False)
    replay, options = _channel(given.path, given.channel, measured)
    once = ideal_channel(message, profile.line)
    replay = _without_others(
        read_alike(read_capture(given.path), replay, once, options), profile, given.action
    )
    if not len(replay.main.segment.frames):
        todo = "capture it while it is sent, or name the file's other action"
        raise NotKnown(f"has no {given.action} in it", where=str(given.path), todo=todo)
    said = b"".join(replay.main.data(burst) for burst in replay.main.bursts)
    count = said.count(message.data)
    if given.original is not None:
        original = _without_others(_channel(given.original, None, measured)[0], profile, given.action)
        words = f"{given.original}, {original.name}"
    else:
        original = ideal_channel(message, profile.line, max(count, 1))
        words = "the line as the profile says it should be"
    comparison = compare(original.main, replay.main)
    picture = comparison_svg(original, replay, comparison)
    return Waveform(given.action, str(given.path), replay.name, words, count, comparison, picture)


def _channel(path: Path, name: str | None, options: DecodeOptions) -> tuple[DecodedChannel, DecodeOptions]:
    """The channel that says something, and what it was read with."""
    options = replace(options, channels=(name,) if name else ())
    decoding = decode_capture(path, options)
    spoken = [each for each in decoding.channels if len(each.main.segment.frames)]
    if not spoken:
        raise NotKnown("has no bytes", where=str(path), todo="look at it with `linewarden decode`")
    return spoken[0], replace(options, channels=(spoken[0].name,))


def _without_others(channel: DecodedChannel, profile: CompiledProfile, action: str) -> DecodedChannel:
    """A channel without the bursts that are whole messages of another kind: a run has on, off and more.

    What no message explains stays: that is what a comparison is for.
    """
    part = channel.main
    kept = [burst for burst in part.bursts if not _is_other(part, burst, profile, action)]
    if len(kept) == len(part.bursts):
        return channel
    frames = part.segment.frames
    places = np.concatenate([np.arange(*burst) for burst in kept]) if kept else np.empty(0, np.int64)
    bursts, at = [], 0
    for first, stop in kept:
        bursts.append((at, at + stop - first))
        at += stop - first
    fewer = replace(
        frames,
        starts=frames.starts[places],
        values=frames.values[places],
        errors=frames.errors[places],
        ends=frames.ends[places],
        break_lengths={},
    )
    values = tuple(part.values[place] for place in places.tolist())
    segment = replace(part.segment, frames=fewer)
    left = DecodedSegment(segment, part.order, tuple(bursts), values)
    return replace(channel, segments=(left,))


def _is_other(part: DecodedSegment, burst: tuple[int, int], profile: CompiledProfile, action: str) -> bool:
    data = part.data(burst)
    if len(data) != burst[1] - burst[0] or profile.actions[action].send.read(data) is not None:
        return False
    templates = [each.send for each in profile.actions.values()]
    templates += [each.match for each in profile.observations]
    return any(template.read(data) is not None for template in templates)
