"""What was on the line during a run against what should have been: captures compared, with their pictures.

Reads files, and numpy comes in with it: for a thread of its own, and only where a capture is given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from profiles.bench.comparison import Comparison, compare, read_alike
from profiles.bench.comparison_report import comparison_json
from profiles.bench.decoding import DecodedChannel, DecodeOptions, decode_capture
from profiles.bench.ideal import ideal_channel, options_of
from profiles.bench.pictures import comparison_svg
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, NotKnown
from profiles.model import Value

__all__ = ["CaptureGiven", "Waveform", "compare_captures", "read_captures"]


@dataclass(frozen=True, slots=True)
class CaptureGiven:
    """A capture of an action as it was sent during the run."""

    action: str
    path: Path
    channel: str | None = None
    """Which channel; None for the first that says something."""
    original: Path | None = None
    """A capture of the original; None for the line as the profile says it should be."""


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


def read_captures(words: Sequence[str], originals: Sequence[str], channel: str | None) -> list[CaptureGiven]:
    """``ACTION=FILE`` words.

    Raises:
        BadValue: a word is none, or an original has no capture to stand against.
    """
    pairs = [_pair(word, "--capture") for word in words]
    against = dict(_pair(word, "--original") for word in originals)
    lone = against.keys() - {action for action, _ in pairs}
    if lone:
        raise BadValue(
            f"there is no capture of {min(lone)} to compare with its original", todo="give --capture"
        )
    return [CaptureGiven(action, path, channel, against.get(action)) for action, path in pairs]


def _pair(word: str, option: str) -> tuple[str, Path]:
    action, equals, path = word.partition("=")
    if not (action and equals and path):
        raise BadValue(f"{word!r} names no action and file", todo=f"write {option} ACTION=FILE")
    return action, Path(path)


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
