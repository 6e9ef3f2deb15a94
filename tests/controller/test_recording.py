"""Recordings of live traffic, read again by the bench's own reader."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.recording import Recorder
from controller.records import Direction, Traffic
from profiles.bench.readers.recording import read_recording
from profiles.errors import FileUnwritable, InputError
from tests.controller.halls import compiled, shipped
from tests.controller.test_journal_disk import disk_that_takes_no_more

PROFILE = compiled(shipped("pellgate-chain")).profile
START = 1_767_641_400.0
"""2026-01-05 19:30:00 UTC."""


def recorder(path: Path) -> Recorder:
    return Recorder(path, "sound", PROFILE, utc=lambda: START)


def traffic(at: float, data: bytes, direction: Direction = Direction.HEARD, **more: object) -> Traffic:
    return Traffic("sound", START + at, direction, data, **more)  # type: ignore[arg-type]  # -- its own fields


def test_what_is_recorded_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "evening.jsonl"
    with recorder(path) as written:
        written.add(traffic(1.25, b"\xa5\x01", Direction.SENT, meaning="power-on → mixer"))
        written.add(traffic(1.5, b"\xa5\x01", Direction.ECHOED, lags=(0.0085, None)))
        written.add(traffic(2.0, b"\xff", fault="stray"))
        assert written.count == 3
    capture = read_recording(path)
    assert {channel.name for channel in capture.channels} == {"sent", "echoed", "heard"}
    sent, echoed, heard = capture.channels
    assert [(each.at, each.data) for each in sent.heard or ()] == [(1.25, b"\xa5\x01")]
    assert [each.lags for each in echoed.heard or ()] == [(0.0085, None)]
    assert [each.data for each in heard.heard or ()] == [b"\xff"]
    header, first, _, third = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    assert header == {
        "linewarden_recording": 1,
        "bus": "sound",
        "profile": "pellgate-chain",
        "line": {"baud": 4800.0, "frame": "8N1", "bit_order": "lsb", "idle": "high"},
        "started": "2026-01-05T19:30:00.000000+00:00",
    }
    assert first["meaning"] == "power-on → mixer"
    assert third["fault"] == "stray"


def test_half_a_character_in_what_others_say_ends_no_recording(tmp_path: Path) -> None:
    """It has no UTF-8 (Unicode, chapter 3.8)."""
    path = tmp_path / "odd.jsonl"
    with recorder(path) as written:
        written.add(traffic(1.0, b"\xa5", meaning="a\ud800", fault="\udcff"))
        written.add(traffic(2.0, b"\x01"))
    _, odd, plain = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    assert (odd["meaning"], odd["fault"], plain["data"]) == ("a?", "?", "01")


def test_a_recording_in_which_nothing_was_heard_is_one(tmp_path: Path) -> None:
    path = tmp_path / "silence.jsonl"
    with recorder(path):
        pass
    assert read_recording(path).channels == ()


def test_what_only_says_what_earlier_bytes_meant_is_no_record(tmp_path: Path) -> None:
    path = tmp_path / "evening.jsonl"
    with recorder(path) as written:
        written.add(traffic(1.0, b"", meaning="Power told"))
        assert written.count == 0
    assert len(path.read_text("utf-8").splitlines()) == 1


def test_a_wall_clock_that_is_set_back_does_not_spoil_it(tmp_path: Path) -> None:
    path = tmp_path / "evening.jsonl"
    with recorder(path) as written:
        for at in (-3.0, 60.0, 59.9, 1.0, 2.0, 61.0):
            written.add(traffic(at, b"\x01"))
    (heard,) = read_recording(path).channels
    assert [each.at for each in heard.heard or ()] == [0.0, 60.0, 59.9, 59.5, 59.5, 61.0]


def test_every_record_is_in_the_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "evening.jsonl"
    with recorder(path) as written:
        written.add(traffic(1.0, b"\x01"))
        assert len(path.read_text("utf-8").splitlines()) == 2


def test_a_file_that_is_there_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "evening.jsonl"
    path.write_text("something else", encoding="utf-8")
    with pytest.raises(InputError, match="is there already"), recorder(path):
        pass
    assert path.read_text("utf-8") == "something else"


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with (
        pytest.raises(FileUnwritable, match="No such file or directory") as caught,
        recorder(tmp_path / "no" / "x"),
    ):
        pass
    assert str(tmp_path) in caught.value.where


def test_a_disk_that_is_full_is_told_and_what_was_written_stays(tmp_path: Path) -> None:
    path = tmp_path / "evening.jsonl"
    with recorder(path) as written:
        written.add(traffic(1.0, b"\x01"))
        whole = path.read_bytes()
        with disk_that_takes_no_more(len(whole)), pytest.raises(FileUnwritable, match="can't be written"):
            written.add(traffic(2.0, b"\x02"))
        # It is full still when it is closed: told already, so that is no second trouble.
        with disk_that_takes_no_more(len(whole)):
            written.__exit__(None, None, None)
    assert path.read_bytes() == whole
    assert len(read_recording(path).channels) == 1
