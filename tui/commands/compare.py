"""``linewarden compare``: byte and timing differences of a replay."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from profiles.bench.comparison import Tolerance, compare, default_tolerance, read_alike
from profiles.bench.comparison_report import comparison_json, comparison_text
from profiles.bench.decoding import DecodedChannel, Decoding, decode_capture
from profiles.bench.pictures import comparison_svg
from profiles.errors import BadValue, NotKnown
from profiles.frames import FrameFormat
from profiles.storage import save_bytes
from tui.commands.decode import options_from
from tui.telling import as_json, plain


def run(arguments: argparse.Namespace) -> int:
    """Compare: 0 where they agree, 1 where they differ."""
    original, replay = _channels(arguments)
    frame = original.main.fit.frame
    comparison = compare(original.main, replay.main, _tolerance(arguments, frame))
    picture = Path(arguments.picture) if arguments.picture else None
    if picture is not None:
        if picture.suffix.lower() != ".svg":
            raise BadValue("is no SVG", where=str(picture), todo="name a file that ends in .svg")
        save_bytes(picture, comparison_svg(original, replay, comparison).encode("utf-8"))
    if arguments.json:
        document = comparison_json(comparison)
        channels = {"original_channel": original.name, "replay_channel": replay.name}
        print(as_json({**document, **channels, "picture": str(picture) if picture is not None else None}))
    else:
        print(plain(comparison_text(comparison), lines=True), end="")
        if picture is not None:
            print(plain(f"picture: {picture}"))
    return 0 if comparison.matches else 1


def _tolerance(arguments: argparse.Namespace, frame: FrameFormat | None) -> Tolerance | None:
    rate, edge = arguments.rate_tolerance, arguments.edge_tolerance
    if rate is None and edge is None:
        return None
    usual = default_tolerance(frame or FrameFormat())
    given = " and ".join(name for name, value in (("rate", rate), ("edges", edge)) if value is not None)
    return replace(
        usual,
        rate=usual.rate if rate is None else rate / 100,
        edge=usual.edge if edge is None else edge,
        source=f"{given} as asked for; else {usual.source}",
    )


def _channels(arguments: argparse.Namespace) -> tuple[DecodedChannel, DecodedChannel]:
    """The two channels to compare, of one file or of two."""
    options = options_from(arguments)
    first = decode_capture(arguments.original, options)
    original = _named(first, arguments.channel) or _spoken(first)[0]
    second = first if arguments.replay is None else decode_capture(arguments.replay, options)
    replay = _named(second, arguments.replay_channel) or _replay(
        second, original if second is first else None
    )
    if second is first and replay.name == original.name:
        raise BadValue("would be compared with itself", where=replay.name, todo="give another --channel")
    return original, read_alike(second.capture, replay, original, options)


def _replay(decoding: Decoding, original: DecodedChannel | None) -> DecodedChannel:
    """The first channel that says something and is not the original."""
    others = [channel for channel in _spoken(decoding) if original is None or channel.name != original.name]
    if not others:
        raise NotKnown(
            "has no second channel with bytes", where=decoding.file, todo="name the replay's capture as well"
        )
    return others[0]


def _named(decoding: Decoding, name: str | None) -> DecodedChannel | None:
    if name is None:
        return None
    decoding.capture.channel(name)
    return next(channel for channel in decoding.channels if channel.name == name)


def _spoken(decoding: Decoding) -> list[DecodedChannel]:
    channels = [channel for channel in decoding.channels if len(channel.main.segment.frames)]
    if not channels:
        raise NotKnown("has no bytes", where=decoding.file, todo="look at it with decode")
    return channels
