"""``linewarden transcribe``: bit cells read off a screen by hand."""

from __future__ import annotations

import argparse

from profiles.bench.transcribing import transcribe, transcription_json, transcription_text
from profiles.frames import FrameFormat
from tui.telling import as_json


def run(arguments: argparse.Namespace) -> int:
    """Print every reading: 1 where the cells are no frame at all."""
    found = transcribe(
        " ".join(arguments.cells),
        idle_high=None if arguments.idle is None else arguments.idle == "high",
        frame=None if arguments.frame is None else FrameFormat.parse(arguments.frame),
        with_start=arguments.start_bit,
    )
    if arguments.json:
        print(as_json(transcription_json(found)))
    else:
        print(transcription_text(found), end="")
    return 0 if found.readings else 1
