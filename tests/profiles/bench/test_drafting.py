"""From captures to a draft profile: valid, with its evidence, and able to say what was captured."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.bench.alignment import Press
from profiles.bench.decoding import DecodeOptions
from profiles.bench.drafting import Draft, Kept, draft_profile
from profiles.bench.findings import Findings, examine
from profiles.bench.recording_text import header_line, record_line
from profiles.bench.samples import LearnedLine, Sample, Source, read_samples
from profiles.checking import load_profile
from profiles.checksums import find_check
from profiles.compiled import CompiledProfile
from profiles.errors import LinewardenError
from profiles.frames import FrameFormat
from profiles.model import Effect, LineSettings
from tests.profiles.bench.captures import write_logic, write_voltage


def summed(text: str) -> bytes:
    """The chain's messages: the sum of all but the first byte behind them."""
    data = bytes.fromhex(text)
    return data + bytes([sum(data[1:]) & 0xFF])


def _learned(
    sources: Sequence[Source], options: DecodeOptions | None = None, confirm: str | None = None
) -> tuple[Findings, Draft, CompiledProfile]:
    line, samples = read_samples(sources, options or DecodeOptions())
    findings = examine(line, samples)
    kept = {str(s.path): Kept(f"captures/{s.path.name}", dt.date(2026, 1, 5)) for s in sources}
    draft = draft_profile(
        findings, name="learned", title="Learned", confirm=confirm, kept=kept, file="learned.toml"
    )
    return findings, draft, load_profile(draft.text, "learned.toml")


def _write(folder: Path, action: str, messages: Sequence[bytes]) -> list[Source]:
    sources = []
    for number, message in enumerate(messages):
        path = write_logic(folder / f"{action}_{number}.csv", [message])
        sources.append(Source(action, path))
    return sources


def test_the_chain_is_learned_as_its_profile_has_it(tmp_path: Path) -> None:
    levels = (0, 17, 63, 40)
    sources = [
        *_write(tmp_path, "power-on", [summed("A5 01 01")] * 3),
        *_write(tmp_path, "standby", [summed("A5 01 02")]),
        *_write(tmp_path, "set-volume", [summed(f"A5 01 20 {level:02X}") for level in levels]),
    ]
    findings, draft, profile = _learned(sources)
    assert [check.name for check in findings.checks] == ["sum-8"]
    assert profile.profile.line.baud == 4800
    assert profile.profile.line.frame == "8N1"
    volume = profile.actions["set-volume"]
    for level in range(64):
        built = volume.send.build({"value": level}).data
        assert built == summed(f"A5 01 20 {level:02X}")
    assert profile.actions["power-on"].send.build().data == bytes.fromhex("A5 01 01 02")
    assert list(volume.spec.parameters["value"].range or ()) == [0, 63]
    evidence = profile.profile.evidence
    assert len(evidence) == len(sources)
    assert [each.parameters["value"] for each in evidence if each.action == "set-volume"] == list(levels)
    assert draft.text.count("SET: energise") == 3
    assert {action.spec.effect for action in profile.actions.values()} == {Effect.UNKNOWN}
    assert not any(action.spec.repeatable for action in profile.actions.values())


def test_one_button_alone_shows_no_check(tmp_path: Path) -> None:
    findings, _, profile = _learned(_write(tmp_path, "power-on", [summed("A5 01 01")] * 5))
    assert findings.checks == ()
    assert profile.actions["power-on"].send.build().data == bytes.fromhex("A5 01 01 02")
    assert not profile.actions["power-on"].send.checked


def test_a_counter_and_a_crc_are_written_as_such(tmp_path: Path) -> None:
    crc = find_check("CRC-16/MODBUS")

    def message(order: int, count: int) -> bytes:
        body = bytes((0x11, order, count % 16, 0x7E))
        return body + crc.compute(body).to_bytes(2, "little")

    sources = [
        *_write(tmp_path, "up", [message(3, count) for count in range(12, 19)]),
        *_write(tmp_path, "down", [message(4, count) for count in (2, 3, 4, 5)]),
    ]
    findings, _, profile = _learned(sources)
    assert [(check.name, check.order) for check in findings.checks] == [("CRC-16/MODBUS", "little")]
    up = profile.actions["up"].send
    assert [counter.name for counter in up.counters] == ["count"]
    assert up.build(counters={"count": 9}).data == message(3, 9)


def test_a_counter_whose_wrap_only_one_button_shows_is_still_one(tmp_path: Path) -> None:
    sources = [
        *_write(tmp_path, "up", [bytes((0x11, 3, count % 16, 0x7E)) for count in range(12, 19)]),
        *_write(tmp_path, "down", [bytes((0x11, 4, count, 0x7E)) for count in (2, 3, 4, 5)]),
    ]
    _, _, profile = _learned(sources)
    assert {action.send.counters[0].wrap for action in profile.actions.values()} == {16}


def test_counters_that_cannot_be_one_have_two_names(tmp_path: Path) -> None:
    sources = [
        *_write(tmp_path, "up", [bytes((0x11, 3, count % 16, 0x7E)) for count in range(12, 19)]),
        *_write(tmp_path, "down", [bytes((0x11, 4, count, 0x7E)) for count in (30, 31, 32, 33)]),
    ]
    _, _, profile = _learned(sources)
    counters = [action.send.counters[0] for action in profile.actions.values()]
    assert [(each.name, each.wrap) for each in counters] == [("count-up", 16), ("count-down", 256)]


def test_a_message_said_twice_a_press_is_repeated(tmp_path: Path) -> None:
    data = bytes.fromhex("C0 31 9A 0D")
    path = write_logic(tmp_path / "mute.csv", [data, data], between=120.0)
    _, _, profile = _learned([Source("mute", path)])
    spec = profile.actions["mute"].spec
    assert spec.repeat == 2
    assert spec.repeat_pause_ms == pytest.approx(120 / 4800 * 1000, abs=0.2)


def test_text_and_digits(tmp_path: Path) -> None:
    _, draft, profile = _learned(_write(tmp_path, "volume", [b"@VOL05\r", b"@VOL63\r", b"@VOL20\r"]))
    assert profile.actions["volume"].send.build({"value": 7 + 20}).data == b"@VOL27\r"
    assert 'text = "@VOL"' in draft.text


def test_dead_time_of_the_original_is_kept(tmp_path: Path) -> None:
    data = bytes.fromhex("A5 01 01 02 7C 33")
    path = write_logic(tmp_path / "slow.csv", [data], inside=7.0)
    _, _, profile = _learned([Source("slow", path)])
    assert profile.profile.line.dead_time_ms == pytest.approx(7 / 4800 * 1000, abs=0.05)
    assert profile.profile.line.burst_gap > 7 / 4800


def test_a_message_that_waits_for_each_echo_is_one_burst(tmp_path: Path) -> None:
    # In lockstep round four units each frame waits five frame times for the one before it.
    data = bytes.fromhex("A5 01 01 02 7C")
    path = write_logic(tmp_path / "chain.csv", [data, data], inside=40.0, between=3000.0)
    _, _, profile = _learned([Source("chain", path)])
    assert profile.actions["chain"].send.build().data == data


def test_a_ring_seen_on_two_lines_is_confirmed_by_its_loop(tmp_path: Path) -> None:
    data = bytes.fromhex("A5 01 01 02")
    late = 2 * FrameFormat().time(4800)
    path = write_voltage(tmp_path / "ring.csv", {"IN": ([data], late), "OUT": ([data], 0.0)})
    findings, _, profile = _learned([Source("power-on", path)])
    assert findings.line.looped
    assert profile.profile.confirm.method.value == "loop"
    assert profile.profile.evidence[0].channel == "OUT"
    _, _, asked = _learned([Source("power-on", path)], confirm="local")
    assert asked.profile.confirm.method.value == "local"


def test_what_a_file_is_named_does_no_harm(tmp_path: Path) -> None:
    odd = tmp_path / 'x\n"evil" = 1 \x7f.csv'
    data = bytes.fromhex("A5 01 01 02")
    write_logic(odd, [data, b"\x55"])
    line, samples = read_samples([Source("power-on", odd)], DecodeOptions())
    kept = {str(odd): Kept("captures/power-on_1.csv", None)}
    draft = draft_profile(
        examine(line, samples), name="odd", title='A "title"\x7f\\', confirm=None, kept=kept, file="odd.toml"
    )
    assert load_profile(draft.text, "odd.toml").profile.title == 'A "title"\x7f\\'


def test_captures_that_tell_nothing_are_refused(tmp_path: Path) -> None:
    rest = tmp_path / "rest.csv"
    rest.write_text("Time [s],CH1\n0.0,1\n0.5,1\n1.0,1\n")
    with pytest.raises(LinewardenError, match="no line says anything"):
        read_samples([Source("rest", rest)], DecodeOptions())


def _line(bits: int) -> LearnedLine:
    frame = FrameFormat(bits)
    return LearnedLine(9600.0, 9601.2, 0.4, frame, True, None, 0.0, 0.0, 0.002, None, looped=False)


def _drafted(said: dict[str, list[list[bytes]]], bits: int) -> tuple[Findings, CompiledProfile]:
    """What is drafted of messages, by action and capture."""
    samples = [
        Sample(Source(action, Path(f"{action}_{n}.csv")), "CH1", "", tuple(map(Press, messages)), ())
        for action, captures in said.items()
        for n, messages in enumerate(captures)
    ]
    findings = examine(_line(bits), samples)
    kept = {str(s.source.path): Kept(s.source.path.name, None) for s in samples}
    draft = draft_profile(findings, name="any", title="", confirm=None, kept=kept, file="any.toml")
    return findings, load_profile(draft.text, "any.toml")


@st.composite
def _messages(draw: st.DrawFn) -> tuple[dict[str, list[list[bytes]]], int]:
    """Messages of a few actions: constant, counting, toggling, changing bytes, with a check or without."""
    bits = draw(st.sampled_from((8, 8, 7)))
    full = 1 << bits
    check = find_check(draw(st.sampled_from(("sum-8", "CRC-16/MODBUS", "xor-8")))) if bits == 8 else None
    said: dict[str, list[list[bytes]]] = {}
    for action in draw(st.lists(st.sampled_from(("one", "two", "three")), min_size=1, unique=True)):
        body = draw(st.lists(st.integers(0, full - 1), min_size=1, max_size=6))
        kinds = draw(st.lists(st.sampled_from("ccctvnd"), min_size=len(body), max_size=len(body)))
        captures = []
        for n in range(draw(st.integers(1, 6))):
            made = []
            for start, kind in zip(body, kinds, strict=True):
                made.append(
                    {
                        "c": start,
                        "n": (start + n) % full,
                        "t": (start + n % 2) % full,
                        "d": 0x30 + (start + 3 * n) % 10,
                        "v": draw(st.integers(0, full - 1)),
                    }[kind]
                )
            data = bytes(made)
            if check is not None:
                data += check.compute(data).to_bytes(check.size, "big")
            captures.append([data])
        said[action] = captures
    return said, bits


@given(_messages())
@settings(max_examples=60, deadline=None)
def test_whatever_was_captured_makes_a_valid_draft_that_can_say_it(
    made: tuple[dict[str, list[list[bytes]]], int],
) -> None:
    said, bits = made
    findings, profile = _drafted(said, bits)
    assert set(profile.actions) == set(said)
    for action in findings.actions:
        template = profile.actions[action.name].send
        for message in action.aligned.messages:
            reading = template.read(message)
            assert reading is not None
            assert template.build(reading.values, counters=reading.counters).data == message


def test_sentences_on_a_line_of_seven_bits_keep_their_digits() -> None:
    # Sentences read in published checksum articles (NMEA 0183); here on a line of seven data bits.
    sentences = [
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n",
        "$GPGLL,5300.97914,N,00259.98174,E,125926,A*28\r\n",
        "$GPGGA,212354.657,,,,,0,00,50.0,,M,0.0,M,,0000*4A\r\n",
    ]
    _, profile = _drafted({f"say-{n}": [[s.encode()]] for n, s in enumerate(sentences)}, 7)
    for n, sentence in enumerate(sentences):
        assert profile.actions[f"say-{n}"].send.checked
        assert profile.actions[f"say-{n}"].send.build().data == sentence.encode()


def test_a_check_over_what_digits_say_is_drafted_so() -> None:
    # Modbus ASCII: the first two frames are of open tests; the last digits of the others are arithmetic
    # (two's complement of the sum).
    frames = [b":1103006B00037E\r\n", b":F7031389000A60\r\n", b":010300000002FA\r\n", b":110600010003E5\r\n"]
    _, profile = _drafted({f"ask-{n}": [[frame]] for n, frame in enumerate(frames)}, 7)
    for n, frame in enumerate(frames):
        assert profile.actions[f"ask-{n}"].send.checked
        assert profile.actions[f"ask-{n}"].send.build().data == frame


def test_a_recording_of_an_adapter_is_learned_from_as_a_capture_is(tmp_path: Path) -> None:
    data = bytes.fromhex("A5 01 01 02")
    rows = [header_line("hall", "pellgate-chain", LineSettings(baud=4800), "2026-01-05T19:30:00Z")]
    rows += [record_line(0.1 + 0.5 * press, "heard", data) for press in range(3)]
    path = tmp_path / "power-on.jsonl"
    path.write_text("\n".join(rows) + "\n")
    line, samples = read_samples([Source("power-on", path)], DecodeOptions())
    assert (line.baud, str(line.frame), line.baud_measured) == (4800, "8N1", None)
    assert samples[0].started == "2026-01-05T19:30:00Z"
    assert [press.data for press in samples[0].presses] == [data] * 3
