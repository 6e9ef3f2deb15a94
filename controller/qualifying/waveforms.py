"""What was on the line during a run against what should have been: captures compared, with their pictures.

Reads files, and numpy comes in with it: for a thread of its own, and only where a capture is given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from controller.qualifying.captures import CaptureGiven
from profiles.bench.comparison import Comparison, compare, read_alike
from profiles.bench.comparison_report import comparison_json
from profiles.bench.decoding import DecodedChannel, DecodeOptions, decode_capture
from profiles.bench.ideal import ideal_channel, options_of
from profiles.bench.pictures import comparison_svg
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
    said = b"".join(replay.main.data(burst) for burst in replay.main.bursts)
    count = said.count(message.data)
    if given.original is not None:
        original, _ = _channel(given.original, None, measured)
        words = f"{given.original}, {original.name}"
    else:
        original = ideal_channel(message, profile.line, max(count, 1))
        words = "the line as the profile says it should be"
    decoding = decode_capture(given.path, options)
    replay = read_alike(decoding.capture, replay, original, options)
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
