"""Texts of others on a terminal, and bit cells written down by hand."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.cells import cell_len
from rich.text import Text

from controller.records import (
    Alert,
    Command,
    Direction,
    Known,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Result,
    StateValue,
    Traffic,
)
from profiles.bench.transcribing import transcribe, transcription_json, transcription_text
from profiles.errors import BadValue
from profiles.frames import FrameFormat
from tests.fuzz.target import FIELD, Target, Trial, fields
from tests.tui.steering import check_no_steering
from tui.looks import Looks
from tui.painting import alert_lines, fit, folded
from tui.saying_text import saying_text
from tui.telling import action_words, as_json, outcome_words, plain, state_word, traffic_line, value_word
from tui.traffic_store import TrafficStore

__all__ = ["TARGETS"]

_LOOKS = Looks(dark=True)


@contextmanager
def _terminal(folder: Path) -> Iterator[Trial]:
    def trial(data: bytes) -> None:
        first, second, wire = fields(data, 3)
        text, other = first.decode("utf-8", "surrogateescape"), second.decode("utf-8", "replace")
        check_texts(text, other, wire)

    yield trial


def check_texts(text: str, other: str, wire: bytes) -> None:
    """Nothing of a text or of bytes steers a terminal, and nothing is wider than its room."""
    command = Command(
        text, other, {"level": text}, Origin(OriginKind.MQTT, other, claimed=True), other, 1.8e9
    )
    outcome = Outcome("c", Result.FAILED, Reason.NO_ECHO, other, text, at=1.8e9, values={"level": other})
    traffic = Traffic("sound", 1.8e9, Direction.HEARD, wire, None, text or None, fault=other or None)
    shown = [
        plain(text),
        action_words(command),
        outcome_words(command, outcome),
        traffic_line(traffic),
        value_word(text),
        state_word("power", StateValue(other, Known.OBSERVED, 0.0)),
    ]
    shown += plain(text, lines=True).split("\n")
    json.loads(as_json({"text": text, "other": other}))
    store = TrafficStore(most=100)
    store.add(traffic)
    for width in (0, 1, 2, 7, 80):
        assert cell_len(fit(text, width)) <= max(width, 0)
        shown.append(fit(text, width))
    for line in folded(text, 12, 3):
        assert cell_len(line) <= 12
        shown.append(line)
    painted: list[Text] = alert_lines([Alert("a", other, 1.8e9, text, other)], 60, _LOOKS, rows=2)
    painted += [saying_text(store[row], 60, _LOOKS, bus_width=6) for row in range(len(store))]
    for each in painted:
        shown.append(each.plain)
        assert each.cell_len <= 60
    for line in shown:
        check_no_steering(line)


def _texts(folder: Path) -> Iterable[bytes]:
    for text in (
        "power-on → mixer",
        "\x1b[2J\x1b]0;title\x07 ¤ \x9b31m",
        "\u202egnirts\u2066 a\u200bb\ufe0f \ufeff",
        "[bold]markup[/bold] \\[x]",
        "漢字 ｗｉｄｅ 👩‍👩‍👧‍👦 🇩🇪 é̂̂",
        "a\r\nb\tc\0d\x7f",
    ):
        yield FIELD.join((text.encode(), text[::-1].encode(), b"\xa5\x01\x00\x1b\xff"))


@contextmanager
def _cells(folder: Path) -> Iterator[Trial]:
    def trial(data: bytes) -> None:
        text = data.decode("utf-8", "surrogateescape")
        form = FrameFormat(5 + len(data) % 5) if len(data) % 3 == 0 else None
        for given in (None, form):
            try:
                found = transcribe(text, frame=given)
            except BadValue:
                continue
            json.dumps(transcription_json(found), allow_nan=False)
            shown = transcription_text(found)
            check_no_steering(shown, lines=True)

    yield trial


def _written(folder: Path) -> Iterable[bytes]:
    yield from (
        b"0 10100101 1",
        b"-0100000101-",
        b"0,0,0,0,0,1,0,1",
        b"LHLHLLHLHH|LLLHHHLLLH",
        b"0101" * 1024,
    )


TARGETS = (
    Target("terminal", _terminal, _texts, "\x1b[ \x9b \x07 \x1f [bold]", longest=4096),
    Target("cells", _cells, _written, "0 1 - L H | 010100101", longest=8192),
)
