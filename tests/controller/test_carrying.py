"""From a cleared command to what the link is to do, and from its report to an outcome."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.bus_setup import BusSetup, port_differs
from controller.carrying import method_for, middle, outcome_of, transmission_for
from controller.guard import BusRules, Cleared, Gate, UnitRules
from controller.hop_learning import HopLearner
from controller.ports import PortSettings
from controller.records import Command, LagFigures, Reason, Result
from controller.states import StateBook
from controller.transmission import LineTimes, Report, Verdict
from profiles.compiled import CompiledProfile
from profiles.model import LineSettings, Method
from profiles.template import Message, Reading
from tests.controller.halls import compiled, crc, shipped

CHAIN = compiled(shipped("pellgate-chain"))
LIFT = compiled(shipped("pellgate-screen"))
RELAY = compiled(shipped("modbus-relay"))
BLIND = compiled(shipped("pellgate-blind"))
SUPPLY = compiled(shipped("scpi-supply"))


def cleared(profile: CompiledProfile, action: str, unit: str = "unit-2", **parameters: Any) -> Cleared:
    units = [UnitRules(f"unit-{number}", "bus", number) for number in (1, 2)]
    gate = Gate([BusRules("bus", profile, allow_raw=True)], units)
    raw = parameters.pop("raw", None)
    found = gate.admit(
        Command(unit, action, parameters, raw=raw), utc=0.0, now=0.0, locks=(), states=StateBook({})
    )
    assert isinstance(found, Cleared), found
    return found


@pytest.mark.parametrize(
    ("profile", "action", "unit", "open_line", "hears_itself", "method"),
    [
        (CHAIN, "standby", "unit-1", False, False, Method.LOOP),
        (CHAIN, "standby", "bus", False, False, Method.LOOP),
        (CHAIN, "standby", "unit-1", True, False, Method.NONE),
        (BLIND, "stop", "unit-1", False, True, Method.LOCAL),
        (LIFT, "stop", "unit-1", False, False, Method.REPLY),
        (LIFT, "stop", "unit-1", False, True, Method.REPLY),
        # A broadcast is answered by nobody (MODBUS over Serial Line V1.02, 2.1).
        (RELAY, "relays-off", "bus", False, False, Method.NONE),
        (RELAY, "relays-off", "bus", False, True, Method.LOCAL),
    ],
)
def test_how_a_command_can_be_confirmed(
    profile: CompiledProfile, action: str, unit: str, open_line: bool, hears_itself: bool, method: Method
) -> None:
    found = method_for(
        cleared(profile, action, unit), profile, open_line=open_line, hears_itself=hears_itself
    )
    assert found is method


@pytest.mark.parametrize(
    ("units", "method"), [(("unit-1",), Method.REPLY), (("unit-1", "unit-2"), Method.NONE)]
)
@pytest.mark.parametrize("whom", ["unit-1", "bus"])
def test_the_only_unit_of_a_line_without_addresses_answers(
    whom: str, units: tuple[str, ...], method: Method
) -> None:
    gate = Gate([BusRules("bus", SUPPLY)], [UnitRules(unit, "bus", None) for unit in units])
    command = Command(whom, "output-off", {})
    found = gate.admit(command, utc=0.0, now=0.0, locks=(), states=StateBook({}))
    assert isinstance(found, Cleared)
    assert method_for(found, SUPPLY, open_line=False, hears_itself=False) is method


def test_raw_bytes_are_compared_where_they_can_be_and_never_sent_twice() -> None:
    raw = cleared(LIFT, "", raw=b"\x23")
    assert method_for(raw, LIFT, open_line=False, hears_itself=True) is Method.LOCAL
    assert method_for(raw, LIFT, open_line=False, hears_itself=False) is Method.NONE
    sent = transmission_for(raw, LIFT, Message(b"\x23"), Method.NONE, hears_itself=False)
    assert (sent.repeatable, sent.replies, sent.judge) == (False, None, None)


def test_a_step_is_not_repeatable_and_a_message_in_several_copies_says_how_long_one_is() -> None:
    step = cleared(CHAIN, "volume-up")
    message = Message(b"\xa5\x02\x21\x23")
    assert not transmission_for(step, CHAIN, message, Method.LOOP, hears_itself=False).repeatable
    twice = compiled(
        shipped("pellgate-chain").replace(
            'send = [{ hex = "A5" }, { address = 1 }, { hex = "30" }',
            'repeat = 2\nsend = [{ hex = "A5" }, { address = 1 }, { hex = "30" }',
        )
    )
    mute = cleared(twice, "mute-on")
    assert mute.action is not None
    both = mute.action.message(mute.values, address=2)
    assert len(both.data) == 8
    assert transmission_for(mute, twice, both, Method.LOOP, hears_itself=False).once == 4


@pytest.mark.parametrize(
    ("address", "values", "verdict"),
    [
        (2, {"coil": 7}, Verdict.DONE),
        (1, {"coil": 7}, Verdict.OTHER),
        (2, {"coil": 8}, Verdict.OTHER),
        (None, {"coil": 7}, Verdict.DONE),
    ],
)
def test_an_answer_is_ours_when_address_and_parameters_are(
    address: int | None, values: Any, verdict: Verdict
) -> None:
    command = cleared(RELAY, "coil-on", coil=7)
    sent = transmission_for(command, RELAY, Message(b"x"), Method.REPLY, hears_itself=False)
    assert command.action is not None
    assert sent.judge is not None
    assert sent.judge(command.action.replies[0], Reading(values, address)) is verdict


DIMMER = """
schema = 1
name = "dimmer"

[line]
baud = 9600

[confirm]
method = "reply"

[actions.set-fade]
effect = "neutral"
parameters.time = { type = "float", range = [0, 600] }
send = [{ hex = "F0" }, { field = "time", size = 2, scale = 0.1 }]
reply = [{ expect = [{ hex = "F1" }, { field = "time", size = 2, scale = 0.1 }] }]
"""


@pytest.mark.parametrize("time", [90.5, 90.4999, 90.54])
def test_an_answer_is_ours_where_it_gives_back_what_went_out_of_a_finer_value(time: float) -> None:
    profile = compiled(DIMMER)
    sent = cleared(profile, "set-fade", time=time)
    assert sent.command.parameters == {"time": time}
    action = profile.action("set-fade")
    message = action.message(sent.values)
    assert message.data == bytes.fromhex("F0 03 89")  # 905 tenths
    transmission = transmission_for(sent, profile, message, Method.REPLY, hears_itself=False)
    assert transmission.judge is not None
    (reply,) = action.replies
    for data, verdict in (("F1 03 89", Verdict.DONE), ("F1 03 8A", Verdict.OTHER)):
        reading = reply.expect.read(bytes.fromhex(data))
        assert reading is not None
        assert transmission.judge(reply, reading) is verdict


def test_a_refusal_is_told_from_a_done_and_every_answer_is_looked_for() -> None:
    command = cleared(RELAY, "coil-on", coil=7)
    sent = transmission_for(command, RELAY, Message(b"x"), Method.REPLY, hears_itself=False)
    assert command.action is not None
    assert sent.judge is not None
    assert sent.replies is not None
    refusing = [reply for reply in command.action.replies if reply.spec.means == "refused"]
    assert sent.judge(refusing[0], Reading({"code": "no such coil"}, 2)) is Verdict.REFUSED
    # Exception 02 to function 5 of slave 2 (MODBUS Application Protocol V1.1b3, 7).
    found = sent.replies().feed(crc(bytes.fromhex("02 85 02")), 0.0)
    assert [each.key in refusing for each in found] == [True]


# Outcomes


def report(**more: Any) -> Report:
    made = Report(
        "a", Result.CONFIRMED, frames=4, echoed=4, attempts=1, all_out=True, began=1.0, ended=1.0340
    )
    for name, value in more.items():
        setattr(made, name, value)
    return made


T = 10 / 4800
RING_OF_3 = LineTimes(T, hops=3, latency=0.0, jitter=0.0)
FOUR = Message(b"\xa5\x01\x01\x02")


def test_the_outcome_of_a_confirmed_action() -> None:
    lags = [4 * T + 1e-4, 4 * T + 3e-4, 4 * T + 2e-4, 4 * T + 1e-4]
    outcome = outcome_of(report(lags=lags), FOUR, Method.LOOP, CHAIN, RING_OF_3, 77.0)
    assert (outcome.result, outcome.frames, outcome.echoed, outcome.attempts) == (Result.CONFIRMED, 4, 4, 1)
    assert outcome.took_ms == pytest.approx(34.0)
    # contracts: frames x (N + 1) T.
    assert outcome.wire_ms == pytest.approx(4 * 4 * T * 1000, abs=1e-3)
    assert outcome.lag_ms == LagFigures(8.433, 8.483, 8.633)
    assert outcome.units_answering == 3
    assert outcome.at == 77.0


def test_units_are_not_counted_where_this_computer_was_busy() -> None:
    """Half of the lags lie more than a third of a frame above the least: it may be late as well."""
    lags = [4 * T, 4.4 * T, 4.5 * T, 4.4 * T]
    outcome = outcome_of(report(lags=lags), FOUR, Method.LOOP, CHAIN, RING_OF_3, 1.0)
    assert (outcome.result, outcome.units_answering) == (Result.CONFIRMED, None)


@pytest.mark.parametrize("result", [Result.FAILED, Result.CANCELLED])
def test_units_are_not_counted_where_the_action_failed(result: Result) -> None:
    failed = report(result=result, reason=Reason.ECHO_STOPPED, failed_at=2, echoed=2, lags=[4 * T, 4 * T])
    outcome = outcome_of(failed, FOUR, Method.LOOP, CHAIN, RING_OF_3, 1.0)
    assert (outcome.units_answering, outcome.failed_at) == (None, 2)


def test_what_was_never_sent_took_no_attempt() -> None:
    nothing = report(result=Result.FAILED, reason=Reason.LINK_LOST, began=None, ended=None, attempts=0)
    outcome = outcome_of(nothing, FOUR, Method.LOOP, CHAIN, RING_OF_3, 1.0)
    assert (outcome.attempts, outcome.took_ms, outcome.lag_ms) == (0, None, None)


def test_an_answers_frames_and_values_are_in_the_outcome() -> None:
    command = cleared(RELAY, "read-relay-1")
    assert command.action is not None
    answered = report(
        result=Result.ANSWERED,
        frames=8,
        reply=command.action.replies[0],
        reading=Reading({"closed": True}, 2),
    )
    outcome = outcome_of(answered, Message(b"12345678"), Method.REPLY, RELAY, LineTimes(11 / 19200), 1.0)
    # Eight frames of the request and six of the answer, 11 bits each (MODBUS over Serial Line V1.02, 2.5.1).
    assert outcome.wire_ms == pytest.approx(14 * 11 / 19200 * 1000, abs=1e-3)
    assert outcome.values == {"closed": True}


@given(st.lists(st.floats(0, 100), min_size=1))
def test_the_middle_is_the_median(numbers: list[float]) -> None:
    import statistics

    assert middle(sorted(numbers)) == pytest.approx(statistics.median(numbers))


# One hop


def lags_of(units: int, hop: float, extra: float = 0.0, frames: int = 4) -> list[float]:
    return [units * hop + T + extra + noise for noise in [0.0, 2e-5, 4e-5, 1e-5][:frames]]


@given(st.integers(2, 40), st.floats(0.95, 1.01))
def test_a_hop_is_learned_from_a_confirmed_action(units: int, part: float) -> None:
    learned = HopLearner().learn(lags_of(units, part * T), replace(RING_OF_3, hops=units), units, units)
    assert learned == pytest.approx(part * T, rel=1e-9)


@pytest.mark.parametrize(
    ("expected", "answering", "times", "lags"),
    [
        (None, 3, RING_OF_3, lags_of(3, T)),  # nobody says how many there are
        (3, 2, RING_OF_3, lags_of(3, T)),  # another number answered
        (3, None, RING_OF_3, lags_of(3, T)),
        (3, 3, replace(RING_OF_3, latency=None), lags_of(3, T)),
        (3, 3, replace(RING_OF_3, jitter=None), lags_of(3, T)),
        (3, 3, replace(RING_OF_3, jitter=0.1 * T), lags_of(3, T)),  # it may have added a tenth of a frame
        (3, 3, RING_OF_3, lags_of(3, T, frames=2)),
        (3, 3, RING_OF_3, [4 * T, 4.2 * T, 4.2 * T, 4.2 * T]),  # this computer was busy
        (3, 3, RING_OF_3, lags_of(3, 1.2 * T)),  # no hop is as long
        (3, 3, RING_OF_3, lags_of(3, 0.8 * T)),  # or as short
    ],
)
def test_nothing_is_learned_where_a_lag_could_mean_something_else(
    expected: int | None, answering: int | None, times: LineTimes, lags: list[float]
) -> None:
    assert HopLearner().learn(lags, times, expected, answering) is None


def test_only_news_is_told_and_latency_that_was_added_is_forgotten() -> None:
    learner = HopLearner()
    first = learner.learn(lags_of(3, T, extra=0.05 * T), RING_OF_3, 3, 3)
    assert first == pytest.approx(T + 0.05 * T / 3)
    assert learner.learn(lags_of(3, T, extra=0.05 * T), RING_OF_3, 3, 3) is None
    # Latency only adds: a lesser lag is nearer to the truth, and a greater one is no news.
    assert learner.learn(lags_of(3, T), RING_OF_3, 3, 3) == pytest.approx(T)
    assert learner.learn(lags_of(3, T, extra=0.05 * T), RING_OF_3, 3, 3) is None
    # Units that were replaced by slower ones are found out in time.
    told = [learner.learn(lags_of(3, 1.01 * T), RING_OF_3, 3, 3) for _ in range(20)]
    assert [hop for hop in told if hop is not None] == [pytest.approx(1.01 * T)]


# What a bus knows of its line


def setup(**more: Any) -> BusSetup:
    port = PortSettings("/dev/null", CHAIN.line)
    return BusSetup("sound", port, more.pop("topology", "ring"), {1: "mixer"}, 3, **more)


def test_the_sites_word_outranks_the_ports_and_what_nobody_says_stays_unknown() -> None:
    def told(setup: BusSetup, port: tuple[float, float] | None) -> tuple[float | None, float | None]:
        times = setup.times(CHAIN.line, port)
        return times.latency, times.jitter

    assert told(setup(), None) == (None, None)
    assert told(setup(), (0.001, 0.002)) == (0.001, 0.002)
    assert told(setup(latency=0.004, jitter=0.003), (0.001, 0.002)) == (0.004, 0.003)
    assert told(setup(latency=0.004), None) == (0.004, None)
    assert told(setup(latency=0.004), (0.001, 0.002)) == (0.004, 0.002)


def test_only_a_ring_has_hops() -> None:
    assert setup(hop_bits=9.5).times(CHAIN.line, None).hops == 3
    assert setup(hop_bits=9.5).times(CHAIN.line, None).hop == 9.5 / 4800
    assert setup(topology="shared").times(CHAIN.line, None).hops == 0
    assert not setup(topology="tap").writes


@pytest.mark.parametrize(
    ("change", "differs"),
    [
        ({"baud": 9600}, True),
        ({"frame": "8E1"}, True),
        ({"bit_order": "msb"}, True),
        ({"idle": "low"}, True),
        ({"dead_time_ms": 5.0}, False),
        ({"burst_gap_ms": 5.0}, False),
        ({}, False),
    ],
)
def test_a_port_is_opened_anew_only_for_what_the_port_itself_does(change: Any, differs: bool) -> None:
    line = LineSettings(baud=4800)
    assert port_differs(line, LineSettings(**{"baud": 4800, **change})) is differs
    assert math.isfinite(line.frame_time)
