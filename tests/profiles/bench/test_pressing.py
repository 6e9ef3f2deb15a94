"""Presses of several bursts, addresses over several units, values of two bytes: told apart and drafted."""

from __future__ import annotations

from pathlib import Path

import pytest

from profiles.bench.alignment import ColumnKind, Press, align, presses
from profiles.bench.decoding import DecodeOptions
from profiles.bench.drafting import Kept, draft_profile
from profiles.bench.evidence import evidence_problem
from profiles.bench.findings import Findings, examine
from profiles.bench.pressing import find_addressing, together
from profiles.bench.samples import LearnedLine, Sample, Source, read_samples
from profiles.checking import load_profile
from profiles.compiled import CompiledProfile
from profiles.frames import FrameFormat
from tests.profiles.bench.captures import write_logic

WAKE = bytes.fromhex("A5 01 01 02")
SELECT = bytes.fromhex("A5 01 10 02 13")


def summed(*body: int) -> bytes:
    """The chain's messages: A5, and the sum of what comes after it."""
    return bytes((0xA5, *body, sum(body) & 0xFF))


def capture(*bursts: bytes, apart: float = 0.1) -> list[Press]:
    """Bursts of 10 ms with so many seconds between them."""
    return presses([(data, n * (apart + 0.01), n * (apart + 0.01) + 0.01) for n, data in enumerate(bursts)])


def drafted(
    said: dict[tuple[str, str], list[list[Press]]], folder: Path = Path()
) -> tuple[Findings, CompiledProfile, str]:
    """What is drafted of the captures of each action and unit."""
    samples = [
        Sample(Source(action, folder / f"{action}_{unit}_{n}.csv", unit), "CH1", "", tuple(captured), ())
        for (action, unit), captures in said.items()
        for n, captured in enumerate(captures)
    ]
    line = LearnedLine(4800, 4800.2, 0.4, FrameFormat(), True, None, 0.0, 0.0, 0.004, None, looped=False)
    findings = examine(line, samples)
    kept = {str(s.source.path): Kept(s.source.path.name, None) for s in samples}
    text = draft_profile(findings, name="any", title="", confirm=None, kept=kept, file="any.toml").text
    return findings, load_profile(text, "any.toml"), text


# ---- Presses of several bursts


def test_bursts_that_come_together_at_every_press_are_one() -> None:
    found = together([capture(WAKE, SELECT), capture(WAKE, SELECT, apart=0.12)])
    assert found is not None
    ((one,), (other,)) = found
    assert (one.data, one.cuts) == (WAKE + SELECT, (4,))
    assert [round(gap, 6) for gap in one.gaps + other.gaps] == [0.1, 0.12]
    # Said twice a press, it is still one message of two bursts.
    twice = together([capture(WAKE, SELECT, WAKE, SELECT), capture(WAKE, SELECT, WAKE, SELECT)])
    assert twice is not None
    assert [press.data for press in twice[0]] == [WAKE + SELECT]


@pytest.mark.parametrize(
    "captures",
    [
        # A knob: each burst another value, or the same steps by accident.
        [
            capture(*(summed(1, 0x20, n) for n in (4, 5, 6))),
            capture(*(summed(1, 0x20, n) for n in (9, 8, 7))),
        ],
        # A counter.
        [capture(summed(1, 1, 5), summed(1, 1, 6)), capture(summed(1, 1, 7), summed(1, 1, 8))],
        # One press alone can't tell.
        [capture(WAKE, SELECT)],
        # Not every time.
        [capture(WAKE, SELECT), capture(WAKE)],
        # Too far apart for one press.
        [capture(WAKE, SELECT, apart=0.4), capture(WAKE, SELECT, apart=0.4)],
        # A button that was said twice is a repeat.
        [capture(WAKE, WAKE), capture(WAKE, WAKE)],
    ],
)
def test_what_is_no_press_of_several_bursts(captures: list[list[Press]]) -> None:
    assert together(captures) is None


def test_one_capture_alone_says_that_another_is_wanted() -> None:
    alone, _, text = drafted({("wake", ""): [capture(WAKE, SELECT)]})
    assert any("capture it again" in note for note in alone.actions[0].notes)
    assert "# bursts come less than 0.25 s apart" in text
    slow, _, _ = drafted({("wake", ""): [capture(WAKE, WAKE, apart=1.0)]})
    assert not any("capture it again" in note for note in slow.actions[0].notes)


def test_a_press_of_two_bursts_is_drafted_with_its_pause_and_both_checks() -> None:
    levels = (3, 40, 17)
    findings, profile, text = drafted(
        {
            ("wake", ""): [capture(WAKE, summed(1, 0x20, level), apart=0.1) for level in levels],
            ("standby", ""): [capture(summed(1, 2)), capture(summed(1, 2))],
        }
    )
    assert [check.name for check in findings.checks] == ["sum-8"]
    template = profile.actions["wake"].send
    built = template.build({"value": 30})
    assert built.data == WAKE + summed(1, 0x20, 30)
    assert [(pause.before, round(pause.seconds, 4)) for pause in built.pauses] == [(4, 0.1)]
    assert [each.bytes for each in profile.profile.evidence if each.action == "wake"] == [
        (WAKE + summed(1, 0x20, level)).hex(" ").upper() for level in levels
    ]
    assert "pause_ms = 100.0" in text
    # A unit that answers looks the same: that is for a person to say.
    assert "# From byte 4 on it is another burst, 100 ms later" in text


def test_a_press_of_two_bursts_is_found_in_captures_again(tmp_path: Path) -> None:
    sources = [
        Source("wake", write_logic(tmp_path / f"wake_{n}.csv", [WAKE, SELECT], between=400.0))
        for n in range(2)
    ]
    line, samples = read_samples(sources, DecodeOptions())
    findings = examine(line, samples)
    (gap,) = findings.actions[0].gaps
    assert gap == pytest.approx(400 / 4800, rel=0.01)
    kept = {str(s.path): Kept(s.path.name, None) for s in sources}
    draft = draft_profile(findings, name="any", title="", confirm=None, kept=kept, file="any.toml")
    profile = load_profile(draft.text, "any.toml").profile
    for evidence in profile.evidence:
        assert bytes.fromhex(evidence.bytes) == WAKE + SELECT
        assert evidence_problem(evidence, profile.line, tmp_path) is None
    # Half a press is none.
    write_logic(tmp_path / "wake_0.csv", [SELECT, WAKE], between=400.0)
    problem = evidence_problem(profile.evidence[0], profile.line, tmp_path)
    assert problem is not None
    assert "is not in wake_0.csv" in problem[1]


# ---- Addresses


def _units(*orders: int, units: tuple[int, ...] = (1, 2, 9)) -> dict[tuple[str, str], list[list[Press]]]:
    return {
        (f"order-{order}", str(unit)): [capture(summed(unit, order))] for order in orders for unit in units
    }


def test_the_address_is_what_differs_from_unit_to_unit_in_all_actions() -> None:
    said = _units(1, 2) | {("order-48", "2"): [capture(summed(2, 48))]}
    findings, profile, text = drafted(said)
    assert findings.addressing is not None
    assert findings.addressing.numbers == {"1": 1, "2": 2, "9": 9}
    assert profile.profile.address is not None
    assert list(profile.profile.address.range) == [1, 9]
    for order in (1, 2, 48):
        # An action that one unit alone was told has the address where the others have it.
        assert profile.actions[f"order-{order}"].send.build(address=5).data == summed(5, order)
    assert {each.address for each in profile.profile.evidence} == {1, 2, 9}
    assert "2 is 2, 9 is 9; SET the whole range" in text


def test_addresses_that_are_not_the_units_numbers() -> None:
    said = {
        (f"order-{order}", str(unit)): [capture(summed(0x80 + unit, order))]
        for order in (1, 2)
        for unit in (1, 2, 5)
    }
    _, profile, text = drafted(said)
    assert "{ address = 1, offset = 128 }" in text
    assert profile.actions["order-1"].send.build(address=3).data == summed(0x83, 1)
    named = {
        (f"order-{order}", unit): [capture(summed(number, order))]
        for order in (1, 2)
        for unit, number in (("foyer-amp", 4), ("stage-amp", 7))
    }
    findings, profile, _ = drafted(named)
    assert findings.addressing is not None
    assert findings.addressing.address("stage-amp") == 7
    assert list(profile.profile.address.range if profile.profile.address else ()) == [4, 7]


def test_a_sum_is_no_address_and_neither_is_a_value() -> None:
    # One action, no check known: the address and the sum both differ. The units' own numbers tell them apart.
    alone = {"power-on": [("1", summed(1, 1)), ("2", summed(2, 1))]}
    found = find_addressing(alone, {"power-on": ()})
    assert found is not None
    assert found.places == {"power-on": (1,)}
    named = {"power-on": [("foyer", summed(1, 1)), ("stage", summed(2, 1))]}
    assert find_addressing(named, {"power-on": ()}) is None
    # With the sum known for one, what is left is the address.
    found = find_addressing(named, {"power-on": {3}})
    assert found is not None
    assert found.places == {"power-on": (1,)}
    # Two actions: a sum differs in another way in each.
    both = {
        "power-on": [("foyer", summed(1, 1)), ("stage", summed(2, 1))],
        "standby": [("foyer", summed(1, 2)), ("stage", summed(2, 2))],
    }
    found = find_addressing(both, {"power-on": (), "standby": ()})
    assert found is not None
    assert found.places == {"power-on": (1,), "standby": (1,)}


def test_without_units_there_is_no_address() -> None:
    findings, profile, _ = drafted({("volume", ""): [[Press(summed(1, 0x20, n))] for n in (3, 9, 60)]})
    assert findings.addressing is None
    assert profile.profile.address is None
    assert [value.name for value in findings.actions[0].values] == ["value", "value-2"]


# ---- Values of two bytes


@pytest.mark.parametrize("order", ["big", "little"])
def test_a_value_of_two_bytes_that_was_turned_through(order: str) -> None:
    numbers = (180, 240, 290, 330, 500, 540, 600)
    messages = [b"\xa5" + n.to_bytes(2, "big" if order == "big" else "little") for n in numbers]
    span = align(messages).spans[1]
    assert (span.start, span.size, span.kind, span.order) == (1, 2, ColumnKind.CHANGING, order)
    assert span.numbers == numbers
    _, profile, _ = drafted({("tune", ""): [[Press(message)] for message in messages]})
    assert profile.actions["tune"].send.build({"value": 411}).data == b"\xa5" + (411).to_bytes(
        2, "big" if order == "big" else "little"
    )


def test_two_values_beside_each_other_stay_two() -> None:
    balance = [bytes((0xA5, left, right)) for left, right in ((1, 90), (30, 4), (3, 77), (60, 12))]
    assert [span.size for span in align(balance).spans] == [1, 1, 1]
