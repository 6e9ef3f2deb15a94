"""The shipped profiles: sound, honest, and saying what standards and their libraries say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadCoilsResponse,
    WriteMultipleCoilsRequest,
    WriteMultipleCoilsResponse,
    WriteSingleCoilRequest,
    WriteSingleCoilResponse,
)

from profiles.checking import check_profile
from profiles.compiled import CompiledAction, CompiledProfile
from profiles.errors import BadValue
from profiles.library import find
from profiles.model import CheckItem, Effect, HexItem, Method
from profiles.template import ByteTemplate

FOLDER = Path(__file__).parents[2] / "profiles" / "builtin"
NAMES = sorted(file.stem for file in FOLDER.glob("*.toml"))
PROFILES: dict[str, CompiledProfile] = {name: find(name, own=FOLDER / "none").load() for name in NAMES}
CHAIN, SCREEN, BLIND = (PROFILES[f"pellgate-{kind}"] for kind in ("chain", "screen", "blind"))
MODBUS, MIDI, SUPPLY = PROFILES["modbus-relay"], PROFILES["midi-scene"], PROFILES["scpi-supply"]


def sent(profile: CompiledProfile, name: str, address: int | None, **given: Any) -> str:
    action = profile.action(name)
    return action.message(action.parameters(given), address=address).data.hex(" ").upper()


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_profile_has_no_fault_and_nothing_worth_a_warning(name: str) -> None:
    assert check_profile(FOLDER / f"{name}.toml") == []
    profile = PROFILES[name].profile
    assert profile.name == name
    assert profile.title
    assert profile.notes
    assert all(action.spec.title for action in PROFILES[name].actions.values())
    assert all("effect" in action.spec.model_fields_set for action in PROFILES[name].actions.values())


@pytest.mark.parametrize("name", NAMES)
def test_each_can_be_switched_off_without_being_asked_anything(name: str) -> None:
    off = [a for a in PROFILES[name].actions.values() if a.spec.effect is Effect.DE_ENERGISE]
    plain = [action for action in off if not action.spec.parameters]
    assert plain


@pytest.mark.parametrize("name", NAMES)
def test_every_message_is_found_again_and_means_its_action(name: str) -> None:
    profile = PROFILES[name]
    for action in profile.actions.values():
        values = action.parameters({key: _first(spec) for key, spec in action.spec.parameters.items()})
        address = profile.profile.address.range[1] if profile.profile.address else None
        matcher = profile.matcher()
        found = matcher.feed(action.message(values, address=address).data, 0.0) + matcher.tick(10.0)
        assert len(found) == 1
        key = found[0].key
        assert isinstance(key, CompiledAction)
        assert key.send.narrower_than(action.send) or key.name == action.name
        assert found[0].reading is not None
        assert found[0].reading.address == address


def _first(spec: Any) -> Any:
    return spec.values[0] if spec.values else int(spec.range[0])


def test_the_methods_of_confirmation_are_all_shown() -> None:
    assert {profile.confirm.method for profile in PROFILES.values()} == set(Method)


# ---- The fictional chain, as it is described.


def test_the_chain_says_what_its_description_says() -> None:
    assert (CHAIN.line.baud, CHAIN.line.frame, CHAIN.confirm.method) == (4800, "8N1", Method.LOOP)
    assert sent(CHAIN, "power-on", 1) == "A5 01 01 02"
    assert sent(CHAIN, "standby", 0) == "A5 00 02 02"
    assert sent(CHAIN, "set-volume", 15, level=63) == "A5 0F 20 3F 6E"
    assert sent(CHAIN, "select-input", 2, input="stage") == "A5 02 10 07 19"
    with pytest.raises(BadValue, match="no address"):
        sent(CHAIN, "power-on", 16)


@pytest.mark.parametrize(
    ("heard", "sets", "value"),
    [
        ("A6 02 50 01 53", "power", True),
        ("A6 02 50 00 52", "power", False),
        ("A6 02 51 07 5A", "input", "stage"),
        ("A6 02 56 28 80", "volume", 40),
        ("A6 02 57 01 5A", "mute", True),
    ],
)
def test_each_state_of_the_chain_is_announced(heard: str, sets: str, value: Any) -> None:
    (found,) = CHAIN.matcher().feed(bytes.fromhex(heard), 0.0)
    assert found.key is not None
    field = found.key.spec.sets[sets]
    assert found.reading is not None
    assert found.reading.values[str(field)] == value
    assert found.reading.address == 2


def test_no_state_of_the_chain_is_left_without_an_announcement() -> None:
    told = {state for observation in CHAIN.observations for state in observation.spec.sets}
    assert told == set(CHAIN.profile.states)


def test_steps_are_not_sent_twice() -> None:
    steps = {name for name, action in CHAIN.actions.items() if not action.spec.repeatable}
    assert steps == {"volume-up", "volume-down"}


# ---- The fictional screen.


def test_the_screen_checks_itself_to_zero() -> None:
    # The check is what the characters after the first lack to a sum of zero, in hexadecimal digits.
    text = bytes.fromhex(sent(SCREEN, "down", 7))
    assert text == b"#07DN07\r"
    assert (sum(b"07DN") + int(text[5:7], 16)) % 256 == 0
    assert bytes.fromhex(sent(SCREEN, "go-to", 7, position=45))[:8] == b"#07GO045"


@pytest.mark.parametrize(
    ("name", "answer", "means", "values"),
    [
        ("up", b"!07OKFF\r", "done", {}),
        ("stop", b"!07OKFF\r", "done", {}),
        ("ask-position", b"!07P045B0\r", "done", {"now": 45}),
        ("go-to", b"!07P10018\r", None, {}),
        ("up", b"!07E123\r", "refused", {"fault": "something is in the way"}),
        ("go-to", b"!07E321\r", "refused", {"fault": "it is switched to manual"}),
    ],
)
def test_answers_of_the_screen(name: str, answer: bytes, means: str | None, values: dict[str, Any]) -> None:
    right = answer[:-3] + f"{-sum(answer[1:-3]) & 0xFF:02X}\r".encode()
    readings = [
        (reply.spec.means, reading.values)
        for reply in SCREEN.action(name).replies
        if (reading := reply.expect.read(answer)) is not None
    ]
    assert readings == ([(means, values)] if means else [])
    assert (answer == right) is (means is not None)


def test_stopping_the_screen_passes_locks_and_moving_it_does_not() -> None:
    effects = {name: action.spec.effect for name, action in SCREEN.actions.items()}
    assert effects["stop"] is Effect.DE_ENERGISE
    assert {effects[name] for name in ("up", "down", "go-to")} == {Effect.ENERGISE}


# ---- The fictional blinds.


def test_a_blind_tilts_both_ways() -> None:
    # Two's complement in one byte; the last byte is the catalogue's CRC-8/SMBUS.
    assert sent(BLIND, "set-tilt", 3, angle=-90).startswith("5A 03 05 A6")
    assert sent(BLIND, "set-tilt", 3, angle=90).startswith("5A 03 05 5A")
    assert sent(BLIND, "close", 3) == "5A 03 02 00 F7"
    assert sent(BLIND, "close", 255).startswith("5A FF 02 00")


# ---- Modbus RTU.

FRAMER = FramerRTU(DecodePDU(True))


def rtu(pdu: Any) -> str:
    """The frame that pymodbus makes."""
    return bytes(FRAMER.buildFrame(pdu)).hex(" ").upper()


@given(st.integers(1, 247), st.integers(0, 65535))
def test_requests_are_those_of_pymodbus(unit: int, coil: int) -> None:
    on = WriteSingleCoilRequest(address=coil, bits=[True], dev_id=unit)
    off = WriteSingleCoilRequest(address=coil, bits=[False], dev_id=unit)
    assert sent(MODBUS, "coil-on", unit, coil=coil) == rtu(on)
    assert sent(MODBUS, "coil-off", unit, coil=coil) == rtu(off)
    assert sent(MODBUS, "read-coil", unit, coil=coil) == rtu(
        ReadCoilsRequest(address=coil, count=1, dev_id=unit)
    )


@pytest.mark.parametrize("relay", [1, 2, 3, 4])
def test_relays_are_the_first_coils(relay: int) -> None:
    for unit in (1, 17, 247):
        assert sent(MODBUS, f"relay-{relay}-on", unit) == sent(MODBUS, "coil-on", unit, coil=relay - 1)
        assert sent(MODBUS, f"relay-{relay}-off", unit) == sent(MODBUS, "coil-off", unit, coil=relay - 1)
        assert sent(MODBUS, f"read-relay-{relay}", unit) == sent(MODBUS, "read-coil", unit, coil=relay - 1)


def test_all_relays_off_is_one_request_of_pymodbus() -> None:
    request = WriteMultipleCoilsRequest(address=0, bits=[False] * 4, dev_id=9)
    assert sent(MODBUS, "relays-off", 9) == rtu(request)


def answers(
    name: str, frame: str | bytes, profile: CompiledProfile = MODBUS
) -> list[tuple[str, dict[str, Any], int | None]]:
    """What the action's answers make of a frame."""
    data = frame if isinstance(frame, bytes) else bytes.fromhex(frame)
    found: list[tuple[str, dict[str, Any], int | None]] = []
    for reply in profile.action(name).replies:
        reading = reply.expect.read(data)
        if reading is not None:
            found.append((reply.spec.means, reading.values, reading.address))
    return found


def test_answers_of_pymodbus_are_understood() -> None:
    written = rtu(WriteSingleCoilResponse(address=172, bits=[True], dev_id=17))
    assert answers("coil-on", written) == [("done", {"coil": 172}, 17)]
    assert answers("coil-off", written) == []
    for state in (True, False):
        read = rtu(ReadCoilsResponse(bits=[state], dev_id=5))
        assert answers("read-coil", read) == [("done", {"closed": state}, 5)]
        assert answers("read-relay-1", read) == [("done", {"closed": state}, 5)]
    assert answers("relays-off", rtu(WriteMultipleCoilsResponse(address=0, count=4, dev_id=9))) == [
        ("done", {}, 9)
    ]


# Source: MODBUS Application Protocol V1.1b3, section 7, exception codes.
CODES = {
    1: "function not known",
    2: "no such coil",
    3: "value not allowed",
    4: "the device failed",
    6: "the device is busy",
}


@pytest.mark.parametrize(("name", "function"), [("coil-on", 5), ("read-coil", 1), ("relays-off", 15)])
@pytest.mark.parametrize(("code", "words"), CODES.items())
def test_exceptions_of_pymodbus_are_refusals_in_words(
    name: str, function: int, code: int, words: str
) -> None:
    frame = rtu(ExceptionResponse(function, code, device_id=10))
    assert answers(name, frame) == [("refused", {"code": words}, 10)]
    # MODBUS Application Protocol V1.1b3, 7: an exception carries the function of its own request.
    for other, of_other in (("relay-4-off", 5), ("read-relay-4", 1), ("relays-off", 15), ("coil-off", 5)):
        assert bool(answers(other, frame)) == (of_other == function)


def test_a_published_exception() -> None:
    # Source, from memory: a widely published worked example: unit 10, function 1, illegal data address.
    assert answers("read-coil", "0A 81 02 B0 53") == [("refused", {"code": "no such coil"}, 10)]


def test_the_published_request_of_function_5() -> None:
    # Source, from memory: a widely published worked example: unit 17, coil 172 on.
    assert sent(MODBUS, "coil-on", 17, coil=172) == "11 05 00 AC FF 00 4E 8B"


PUBLISHED = [
    # Source: MODBUS over Serial Line V1.02, 6.2.2 and figure 30: register 1241, sent 41 12.
    "02 07 41 12",
    # Source: worked RTU frames published as test data in several open implementations.
    "11 01 00 13 00 25 0E 84", "11 02 00 C4 00 16 BA A9", "11 03 00 6B 00 03 76 87",
    "11 04 00 08 00 01 B2 98", "11 03 06 AE 41 56 52 43 40 49 AD", "01 03 00 00 00 0A C5 CD",
    "01 03 00 00 00 02 C4 0B",
    # Source, from memory: widely published worked examples.
    "11 05 00 AC FF 00 4E 8B", "11 06 00 01 00 03 9A 9B", "11 0F 00 13 00 0A 02 CD 01 BF 0B",
    "11 10 00 01 00 02 04 00 0A 01 02 C6 F0", "0A 81 02 B0 53",
]  # fmt: skip


def modbus_template(frame: str) -> ByteTemplate:
    body = " ".join(frame.split()[:-2])
    return ByteTemplate.compile([HexItem(hex=body), CheckItem(check="CRC-16/MODBUS", order="little")])


@pytest.mark.parametrize("frame", PUBLISHED)
def test_published_frames(frame: str) -> None:
    template = modbus_template(frame)
    assert template.build().data == bytes.fromhex(frame)
    assert template.read(bytes.fromhex(frame)) is not None


def test_a_misprinted_frame_fails() -> None:
    # Source: an article on Modbus timing prints this frame with the CRC 67 40; the right one is 67 73.
    template = modbus_template("11 03 00 7A 00 40 67 40")
    assert template.read(bytes.fromhex("11 03 00 7A 00 40 67 40")) is None
    assert template.build().data == bytes.fromhex("11 03 00 7A 00 40 67 73")


def test_the_silence_between_modbus_messages() -> None:
    # Source: MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits, 2005.2 us at 19200 baud.
    silence = 3.5 * MODBUS.line.frame_time
    assert silence * 1e6 == pytest.approx(2005.2, abs=0.05)
    assert MODBUS.line.format.bits == 11
    assert MODBUS.line.burst_gap >= silence
    for action in MODBUS.actions.values():
        (pause,) = action.send.pauses
        assert pause.before == 0
        assert pause.seconds >= silence


# ---- MIDI 1.0.


@given(st.integers(1, 16), st.integers(1, 128), st.integers(0, 127))
def test_midi_bytes_are_those_of_mido(channel: int, scene: int, level: int) -> None:
    def of_mido(kind: str, **given: int) -> str:
        return bytes(mido.Message(kind, channel=channel - 1, **given).bytes()).hex(" ").upper()

    assert sent(MIDI, "program-change", channel, scene=scene) == of_mido("program_change", program=scene - 1)
    assert sent(MIDI, "set-level", channel, level=level) == of_mido("control_change", control=7, value=level)
    assert sent(MIDI, "level-off", channel) == of_mido("control_change", control=7, value=0)
    assert sent(MIDI, "silence", channel) == of_mido("control_change", control=120, value=0)


def test_midi_messages_as_published() -> None:
    # Source, from memory: MIDI 1.0 Detailed Specification, channel messages: program 6, full volume.
    assert sent(MIDI, "program-change", 1, scene=6) == "C0 05"
    assert sent(MIDI, "set-level", 1, level=127) == "B0 07 7F"


def test_the_midi_line() -> None:
    # Source: MIDI 1.0 Detailed Specification, "Hardware": 31.25 kbaud, 8N1, 320 microseconds a byte.
    assert (MIDI.line.baud, MIDI.line.frame) == (31250, "8N1")
    assert MIDI.line.frame_time * 1e6 == pytest.approx(320)
    assert MIDI.confirm.method is Method.NONE


# ---- SCPI.


def scpi(name: str, **given: Any) -> str:
    return bytes.fromhex(sent(SUPPLY, name, None, **given)).decode("ascii")


@pytest.mark.parametrize(
    ("name", "given", "orders"),
    [
        # Source, from memory: SCPI-1999 volume 2, OUTPut:STATe, SOURce:VOLTage, SOURce:CURRent, SYSTem:ERRor;
        # volume 1, 6.2: short forms, and a colon that begins again at the root after a semicolon.
        ("output-on", {}, ["OUTP ON", ":OUTP?"]),
        ("output-off", {}, ["OUTP OFF", ":OUTP?"]),
        ("ask-output", {}, ["OUTP?"]),
        ("set-voltage", {"volts": 12.5}, ["*CLS", ":VOLT 012500E-3", ":SYST:ERR?"]),
        ("set-current", {"amperes": 0.001}, ["*CLS", ":CURR 000001E-3", ":SYST:ERR?"]),
    ],
)
def test_orders_of_the_supply_are_those_of_scpi(name: str, given: dict[str, Any], orders: list[str]) -> None:
    text = scpi(name, **given)
    assert text.endswith("\n")
    assert text[:-1].split(";") == orders


@given(st.integers(0, 999_999))
def test_a_level_is_a_number_with_an_exponent(thousandths: int) -> None:
    # Source, from memory: IEEE 488.2, 7.7.2: a decimal number with leading zeros and an exponent,
    # the form that Python reads as well.
    number = scpi("set-voltage", volts=thousandths / 1000).split("VOLT ")[1].split(";")[0]
    assert float(number) == pytest.approx(thousandths / 1000, abs=1e-9)


@given(st.floats(0, 999.999) | st.sampled_from([0.0004, 0.0005, 12.3456, 999.9989]))
def test_a_level_is_taken_for_what_goes_out_of_it(level: float) -> None:
    number = scpi("set-voltage", volts=level).split("VOLT ")[1].split(";")[0]
    assert float(number) == pytest.approx(level, abs=0.000501)
    action = SUPPLY.action("set-voltage")
    values = action.parameters({"volts": level})
    assert values == {"volts": float(number)}
    assert SUPPLY.says(action, values, None) == ({"voltage": float(number)}, ())


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize(
    ("name", "answer", "means"),
    [
        # Source, from memory: SCPI-1999 volume 1, 7.3: a boolean is answered with 1 or 0; volume 2, 21.8: the
        # errors' numbers and texts, 0 with "No error" where there is none.
        ("output-on", b"1", "done"),
        ("output-on", b"0", "refused"),
        ("output-off", b"0", "done"),
        ("output-off", b"1", "refused"),
        ("set-voltage", b'0,"No error"', "done"),
        ("set-voltage", b'+0,"No error"', "done"),
        ("set-current", b'-222,"Data out of range"', "refused"),
        ("set-current", b'-221,"Settings conflict"', "refused"),
        ("set-voltage", b'-113,"Undefined header"', "refused"),
    ],
)
def test_answers_of_the_supply(name: str, answer: bytes, means: str, end: bytes) -> None:
    assert [found[0] for found in answers(name, answer + end, SUPPLY)] == [means]
    assert answers(name, answer, SUPPLY) == []
    assert answers("ask-output", b"1" + end, SUPPLY) == [("done", {"now": True}, None)]


def test_raising_a_level_never_passes_a_lock() -> None:
    effects = {name: action.spec.effect for name, action in SUPPLY.actions.items()}
    assert {effects[name] for name in ("output-on", "set-voltage", "set-current")} == {Effect.ENERGISE}
    assert (effects["output-off"], effects["ask-output"]) == (Effect.DE_ENERGISE, Effect.NEUTRAL)
