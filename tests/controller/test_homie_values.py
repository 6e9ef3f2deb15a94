"""Payloads by datatype. Source: the Homie convention, version 5, commit 063301d (17 October 2024), sections
Payloads, Formats and Empty string values; durations also ISO 8601 as quoted in OPC UA Part 3, 8.44."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.homie_values import Datatype, Property, decode, duration, encode, property_for
from profiles.errors import BadValue
from profiles.model import Parameter, ValueType


def _property(datatype: Datatype, **more: object) -> Property:
    return Property("it", "It", datatype, **more)  # type: ignore[arg-type]  # -- the test's own words


INTEGER = _property(Datatype.INTEGER)
FLOAT = _property(Datatype.FLOAT)
BOOLEAN = _property(Datatype.BOOLEAN)
ENUM = _property(Datatype.ENUM, values=("Car", "bike", " tram"))
DURATION = _property(Datatype.DURATION)
JSON = _property(Datatype.JSON)
STRING = _property(Datatype.STRING)


@pytest.mark.parametrize(
    ("spec", "payload", "value"),
    [
        (INTEGER, b"0", 0),
        (INTEGER, b"-9223372036854775808", -(2**63)),
        (INTEGER, b"9223372036854775807", 2**63 - 1),
        (FLOAT, b"21.5", 21.5),
        (FLOAT, b"-3", -3.0),
        (FLOAT, b"1e5", 1e5),
        (FLOAT, b"1E-5", 1e-5),
        (BOOLEAN, b"true", True),
        (BOOLEAN, b"false", False),
        (ENUM, b"Car", "Car"),
        (ENUM, b" tram", " tram"),
        (STRING, b"\x00", ""),
        (STRING, "m³".encode(), "m³"),
        (DURATION, b"PT12H5M46S", 43546),
        (DURATION, b"PT5M", 300),
        (DURATION, b"PT36H", 129600),
        (DURATION, b"PT0S", 0),
        (DURATION, b"PT0.5S", 0.5),
        (DURATION, b"PT0,5S", 0.5),
        (JSON, b'{"a": [1]}', {"a": [1]}),
        (JSON, b"[]", []),
    ],
)
def test_payloads_that_the_convention_allows(spec: Property, payload: bytes, value: object) -> None:
    assert decode(payload, spec) == value


@pytest.mark.parametrize(
    ("spec", "payload"),
    [
        *((INTEGER, each) for each in (b"", b"-", b" 5", b"5 ", b"5.0", b"+5", b"9223372036854775808")),
        *((INTEGER, each) for each in ("٥".encode(), b"1_000", b"0x10", b"5\n", b"9" * 4096)),
        *((FLOAT, each) for each in (b"", b"-", b"NaN", b"Infinity", b"1,5", b" 1", b"1e+5", b"1e999")),
        *((FLOAT, each) for each in (b".", b"1.2.3", b"e5", b"1_0.0", b"inf")),
        *((BOOLEAN, each) for each in (b"TRUE", b"True", b"1", b"on", b"", b"true ", b"true\n")),
        *((ENUM, each) for each in (b"car", b"tram", b"", b"Car,bike", b"Car ")),
        *((DURATION, each) for each in (b"", b"P", b"PT", b"1H", b"P1S", b"PT1D", b"P1D", b"PT-1S", b"PT5")),
        *((JSON, each) for each in (b"", b"1", b'"text"', b"null", b"{", b'{"a":1,"a":2}', b"[NaN]")),
        (JSON, b"[" * 4096),
        (JSON, b'{"a":' * 1000),
        *((spec, b"\xff\xfe") for spec in (INTEGER, FLOAT, BOOLEAN, ENUM, DURATION, JSON, STRING)),
        *((spec, b"\xc3\x28") for spec in (STRING, JSON)),
        *((spec, b"\xef\xbb\xbf5") for spec in (INTEGER, FLOAT, STRING)),
    ],
)
def test_payloads_that_it_does_not_allow(spec: Property, payload: bytes) -> None:
    with pytest.raises(BadValue):
        decode(payload, spec)


def test_numbers_keep_to_their_format_both_ends_included() -> None:
    spec = _property(Datatype.INTEGER, range=(0.0, 63.0))
    assert (spec.format, decode(b"0", spec), decode(b"63", spec)) == ("0:63", 0, 63)
    for payload in (b"-1", b"64"):
        with pytest.raises(BadValue, match="0:63"):
            decode(payload, spec)
    tenth = _property(Datatype.FLOAT, range=(-0.5, 1e16))
    assert tenth.format == "-0.5:1e16"
    assert decode(b"-0.5", tenth) == -0.5


def test_an_enum_with_a_comma_or_nothing_can_only_go_as_a_string() -> None:
    fits = Parameter(type=ValueType.ENUM, values=("cd", "tuner"))
    assert property_for("input", fits).format == "cd,tuner"
    for values in (("one, two", "three"), ("", "on")):
        found = property_for("input", Parameter(type=ValueType.ENUM, values=values))
        assert (found.datatype, found.format) == (Datatype.STRING, None)


def test_what_no_datatype_can_say_is_not_said() -> None:
    assert encode(2**64, Datatype.INTEGER) is None
    assert encode(math.inf, Datatype.FLOAT) is None
    assert encode("", Datatype.STRING) == b"\0"
    assert encode("\ufefftext", Datatype.STRING) == b"text"
    assert encode(1e300, Datatype.FLOAT) == b"1e300"


@given(st.integers(-(2**63), 2**63 - 1))
def test_integers_come_back(number: int) -> None:
    assert decode(encode(number, Datatype.INTEGER) or b"", INTEGER) == number


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_floats_come_back_exactly_in_the_signs_that_are_allowed(number: float) -> None:
    payload = encode(number, Datatype.FLOAT) or b""
    assert set(payload) <= set(b"0123456789-.e")
    assert decode(payload, FLOAT) == number


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_strings_come_back_and_never_delete_a_topic(text: str) -> None:
    payload = encode(text, Datatype.STRING)
    assert payload
    if text != "\0" and not text.startswith("\ufeff"):
        assert decode(payload, STRING) == text


@given(st.integers(0, 10**9))
def test_durations_come_back_in_hours_minutes_and_seconds(seconds: int) -> None:
    payload = duration(seconds)
    assert payload.startswith(b"PT")
    assert decode(payload, DURATION) == seconds


@given(st.binary(max_size=64), st.sampled_from([INTEGER, FLOAT, BOOLEAN, ENUM, DURATION, JSON, STRING]))
def test_whatever_comes_is_a_value_or_refused(payload: bytes, spec: Property) -> None:
    try:
        value = decode(payload, spec)
    except BadValue:
        return
    if spec.datatype is Datatype.JSON:
        assert value == json.loads(payload)
    elif spec.datatype is not Datatype.DURATION:
        assert decode(encode(value, spec.datatype) or b"", spec) == value
