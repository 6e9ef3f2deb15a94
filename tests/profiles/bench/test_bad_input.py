"""Bad input never ends in a traceback: it is refused with the reason, or answered with what is missing."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from profiles.bench.decoding import DecodeOptions, decode_capture
from profiles.bench.report import as_json, as_text
from profiles.errors import BadValue, FileUnreadable, InputError, NotKnown

NOISE = [
    f"{i * 1e-6:.6f},{level:.4f}" for i, level in enumerate(np.random.default_rng(3).normal(0, 0.01, 3000))
]


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "empty"),
        (b" \r\n\n ", "empty"),
        (bytes(range(256)) * 20, "no text"),
        (b"no numbers here\nnor here\n", "no rows of numbers"),
        (b"1.0\n2.0\n1.0\n", "no column of times"),
        (b"Time,CH1\n0.0,1.0\n0.1,2.0\n0.05,1.0\n0.2,1.0\n", "time runs backwards at row 3"),
        (b"Time,CH1\n0.0,1.0\n0.0,2.0\n0.0,1.0\n", "time stands still|no column of times"),
        (b"Time,CH1\n0.0,1.0\nnan,2.0\n0.1,1.0\n", "row 2 has no time"),
        (b"Time,CH1\n0.0,1.0\n0.1,2.0\n1e999,1.0\n", "row 3 has no time"),
        (b"Time,CH1\n-1e300,1.0\n0.1,2.0\n1e300,1.0\n", "row 1 has no time"),
        (b"Time,CH1\n0.0,1.0\n0.1,2.0\n1e99999999999999999999,1.0\n", "row 3 has no time"),
        (b"$timescale 1 ns $end $var wire", "before \\$enddefinitions"),
        (b'{"linewarden_recording": 2, "bus": "x"}\n', "no header of a recording"),
        (
            b'{"linewarden_recording": 1, "bus": "x", "line": {"baud": 9600}}\n{"t": "soon"}\n{}\n',
            "line 2 is no record",
        ),
    ],
)
def test_what_is_no_capture(tmp_path: Path, content: bytes, reason: str) -> None:
    path = tmp_path / "capture.any"
    path.write_bytes(content)
    with pytest.raises(FileUnreadable, match=reason) as caught:
        decode_capture(path)
    assert str(path) in str(caught.value)
    assert caught.value.exit_code == 2


def test_missing_files_and_folders(tmp_path: Path) -> None:
    with pytest.raises(FileUnreadable, match="can't be read"):
        decode_capture(tmp_path / "nowhere.csv")
    with pytest.raises(FileUnreadable, match="folder"):
        decode_capture(tmp_path)


def test_ten_gigabytes_are_refused_with_the_way_out(tmp_path: Path) -> None:
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(10_000_000_000)
    with pytest.raises(FileUnreadable, match=r"10\.0 GB.*export the part"):
        decode_capture(path)


@pytest.mark.parametrize(
    ("rows", "word"),
    [
        (["0.0,1.0"], "never changes"),
        (["0.0,0", "0.1,0", "0.2,0"], "never changes"),
        (["0.0,0", "0.1,1", "0.2,1"], "changes once"),
        (NOISE, "no two levels|not an async|told"),
    ],
)
def test_too_little_is_said(tmp_path: Path, rows: list[str], word: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Time,RX\n" + "\n".join(rows) + "\n")
    found = decode_capture(path)
    text = as_text(found)
    assert any(part in text for part in word.split("|")), text
    document = as_json(found)["channels"][0]
    assert document["baud"] is None
    assert document["frame"] is None
    assert document["bursts"] == []
    json.dumps(document, allow_nan=False)


def test_a_file_cut_off_in_a_line(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(
        "Time,CH1\n" + "\n".join(f"{i * 1e-6:.6f},{i // 50 % 2}" for i in range(1000)) + "\n0.0010"
    )
    found = decode_capture(path)
    assert any("cut off" in note for note in found.capture.notes)


def test_a_clipped_voltage_is_read_with_a_warning(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    levels = np.repeat([1, 0, 1, 0, 0, 1, 0, 1, 1, 1] * 40, 20)
    volts = np.minimum(levels * 3.3 + rng.normal(0, 0.05, len(levels)), 2.5)
    path = tmp_path / "a.csv"
    path.write_text("Time,CH1\n" + "\n".join(f"{i * 1e-6:.6f},{v:.3f}" for i, v in enumerate(volts)) + "\n")
    found = decode_capture(path)
    assert any("clipped" in note for note in found.channels[0].notes)


def test_a_recording_cut_off_in_its_last_line(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    head = '{"linewarden_recording": 1, "bus": "hall", "line": {"baud": 4800}}\n'
    path.write_text(head + '{"t": 0.1, "direction": "heard", "data": "41 42"}\n{"t": 0.2, "direc')
    found = decode_capture(path)
    assert bytes(found.channels[0].main.values) == b"AB"
    assert any("cut off" in note for note in found.capture.notes)


def test_options_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(BadValue, match="baud can't be -1"):
        DecodeOptions(baud=-1.0)
    with pytest.raises(BadValue, match="hysteresis can't be 0"):
        DecodeOptions(hysteresis=0.0)
    with pytest.raises(BadValue, match="sample interval can't be nan"):
        DecodeOptions(sample_interval=float("nan"))
    with pytest.raises(BadValue, match="burst gap bits can't be inf"):
        DecodeOptions(burst_gap_bits=float("inf"))
    path = tmp_path / "a.csv"
    path.write_text("Time,CH1\n0.0,0\n0.1,1\n0.2,0\n")
    with pytest.raises(NotKnown, match=r"no channel 'CH9'.*it has CH1"):
        decode_capture(path, DecodeOptions(channels=("CH9",)))


def test_names_from_a_file_reach_no_terminal_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"Time,CH\x7f\xc2\x9b2J\n0.0,0\n0.1,1\n0.2,0\n")
    text = as_text(decode_capture(path))
    assert all(char.isprintable() or char == "\n" for char in text)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.one_of(
        st.binary(max_size=400), st.text(alphabet="0123456789.,;- \n\tetnaTime#$!bxz{}", max_size=400)
    )
)
def test_anything_is_decoded_or_refused(tmp_path: Path, content: bytes | str) -> None:
    path = tmp_path / "any"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    found = None
    with contextlib.suppress(InputError):
        found = decode_capture(path)
    assert found is None or json.dumps(as_json(found), allow_nan=False)
    assert found is None or as_text(found)
