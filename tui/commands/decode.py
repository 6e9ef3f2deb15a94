"""``linewarden decode``: line settings and bytes of a capture."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from profiles.bench.decoding import DecodeOptions, decode_capture
from profiles.bench.report import as_json as report_json
from profiles.bench.report import as_text
from profiles.frames import BitOrder, FrameFormat
from tui.telling import as_json, plain

__all__ = ["options_from", "run"]


def run(arguments: argparse.Namespace) -> int:
    """Print what was found: 1 where no channel could be told."""
    decoding = decode_capture(arguments.capture, options_from(arguments, arguments.channel))
    if arguments.json:
        print(as_json(report_json(decoding)))
    else:
        print(plain(as_text(decoding, most_bursts=max(0, arguments.most_bursts)), lines=True), end="")
    return 0 if any(channel.main.fit.frame is not None for channel in decoding.channels) else 1


def options_from(arguments: argparse.Namespace, channels: Sequence[str] = ()) -> DecodeOptions:
    """The settings that were given, for the decoder.

    Raises:
        BadValue: one of them can't be.
    """
    return DecodeOptions(
        channels=tuple(channels),
        baud=arguments.baud,
        frame=None if arguments.frame is None else FrameFormat.parse(arguments.frame),
        idle_high=None if arguments.idle is None else arguments.idle == "high",
        bit_order=None if arguments.bit_order is None else BitOrder(arguments.bit_order),
        threshold=arguments.threshold,
        hysteresis=arguments.hysteresis,
        burst_gap_bits=arguments.burst_gap,
        sample_interval=arguments.sample_interval,
    )
