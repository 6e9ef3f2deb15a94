"""What is heard on a bus: records, states and events; the unit's own word; traffic to look back on."""

from __future__ import annotations

import asyncio
from typing import Any, cast

from controller.guard import Cleared
from controller.hearing import Hearing
from controller.journal import Journal
from controller.link import LineEvent
from controller.records import Direction, Event, Known, Reason, Record, StateChange, Traffic
from controller.states import StateBook
from controller.surroundings import Surroundings
from tests.controller.gates import OFF, ON, Bench, reason
from tests.controller.halls import compiled, shipped, until

BEHIND = 4000.0
"""UTC seconds at which the monotonic clock was 0."""


def summed(*values: int) -> bytes:
    return bytes([*values, sum(values[1:]) & 0xFF])


VOLUME_31 = summed(0xA6, 1, 0x56, 31)
POWER_TOLD = summed(0xA6, 1, 0x50, 1)


class Ear:
    """A hearing with its states, and all that it tells."""

    def __init__(self, profile: str = "pellgate-chain") -> None:
        self.bench = Bench()
        units: dict[int | None, str] = {1: "mixer", 2: "hall-amp", 3: "foyer-amp"}
        specs = compiled(shipped(profile)).profile.states
        self.bench.states = StateBook(dict.fromkeys(units.values(), specs))
        self.now = 1000.0
        self.told: list[Record] = []
        surroundings = Surroundings(
            self.bench.gate,
            self.bench.states,
            cast("Journal", None),  # nothing that is heard goes there
            self.told.append,
            lambda: (),
            lambda: self.now + BEHIND,
            lambda *_: None,
            lambda _: None,
        )
        self.hearing = Hearing("sound", compiled(shipped(profile)), units, surroundings, lambda: self.now)

    def take(self, direction: Direction, data: bytes, **more: Any) -> None:
        self.hearing.take([LineEvent(direction, data, self.now, **more)])

    def heard(self, data: bytes, **more: Any) -> None:
        self.take(Direction.HEARD, data, **more)

    def sending(self, command: Any, name: str) -> None:
        cleared = self.bench.admit(command)
        assert isinstance(cleared, Cleared)
        self.hearing.sending(name, cleared)

    def of(self, kind: type[Any]) -> list[Any]:
        return [record for record in self.told if isinstance(record, kind)]


async def test_bytes_become_a_record_with_their_meaning_and_their_time() -> None:
    ear = Ear()
    ear.heard(b"\xff" + VOLUME_31)
    (record,) = ear.of(Traffic)
    assert record == Traffic(
        "sound",
        5000.0,
        Direction.HEARD,
        b"\xff" + VOLUME_31,
        meaning="Volume told, mixer: level 31, volume 31",
        unexplained=((0, 1),),
    )
    (change,) = ear.of(StateChange)
    assert (change.unit, change.state, change.value.value) == ("mixer", "volume", 31)
    assert change.value.known is Known.OBSERVED
    assert ear.hearing.counters == {"bytes_sent": 0, "bytes_heard": 6, "bytes_unexplained": 1}
    assert ear.hearing.last_heard == {"mixer": 5000.0}
    ear.hearing.close()


async def test_a_message_in_pieces_is_told_with_its_last_one() -> None:
    ear = Ear()
    ear.heard(VOLUME_31[:2])
    ear.heard(VOLUME_31[2:4])
    ear.heard(VOLUME_31[4:] + b"\xff")
    assert [record.meaning for record in ear.of(Traffic)] == [
        None,
        None,
        "Volume told, mixer: level 31, volume 31",
    ]
    # Noise at the end is told within its own record, though the message began in another.
    assert [record.unexplained for record in ear.of(Traffic)] == [(), (), ((1, 2),)]
    ear.hearing.close()


async def test_of_several_words_in_one_record_the_last_counts_and_all_are_told() -> None:
    ear = Ear()
    ear.heard(b"".join(summed(0xA6, 1, 0x56, level) for level in (5, 6, 7)) + POWER_TOLD)
    assert [(each.state, each.value.value) for each in ear.of(StateChange)] == [
        ("volume", 7),
        ("power", True),
    ]
    (record,) = ear.of(Traffic)
    assert record.meaning is not None
    assert [f"volume {level}" in record.meaning for level in (5, 6, 7)] == [True] * 3
    ear.hearing.close()


async def test_words_keep_their_order_with_events() -> None:
    ear = Ear("pellgate-screen")
    said = [b"!" + body + b"%02X\r" % (-sum(body) & 0xFF) for body in (b"01K1", b"01A100", b"01K2")]
    ear.heard(b"".join(said))
    told = [
        record.name if isinstance(record, Event) else (record.state, record.value.value)
        for record in ear.told
        if isinstance(record, StateChange | Event)
    ]
    assert told == [("motion", "still"), ("position", 100), "arrived", ("motion", "going-down")]
    ear.hearing.close()


async def test_an_event_is_raised_with_what_was_told() -> None:
    ear = Ear("pellgate-screen")
    body = b"01A100"
    ear.heard(b"!" + body + b"%02X\r" % (-sum(body) & 0xFF))
    (event,) = ear.of(Event)
    assert (event.name, event.unit, event.bus) == ("arrived", "mixer", "sound")
    assert event.values == {"now": 100, "position": 100, "motion": "still"}
    ear.hearing.close()


async def test_our_own_bytes_are_told_and_counted_and_change_nothing() -> None:
    ear = Ear()
    ear.sending(ON, "a")
    ear.take(Direction.SENT, b"\xa5\x01", transmission="a")
    ear.take(Direction.ECHOED, b"\xa5\x01", transmission="a", lags=(0.008, 0.009))
    sent, echoed = ear.of(Traffic)
    assert (sent.meaning, sent.command_id) == ("power-on → mixer", "a")
    assert (echoed.meaning, echoed.lags) == ("power-on → mixer", (0.008, 0.009))
    assert ear.hearing.counters["bytes_sent"] == 2
    assert ear.of(StateChange) == []
    ear.hearing.close()


async def test_our_own_echo_that_came_late_is_nobody_elses_command() -> None:
    """A failed attempt's frames come back after all: nobody has told the unit to switch on."""
    for fault in (Reason.ECHO_LATE, Reason.ECHO_EARLY, Reason.ECHO_DOUBLED):
        ear = Ear()
        ear.heard(summed(0xA5, 1, 1), fault=fault, transmission="a")
        (record,) = ear.of(Traffic)
        assert (record.fault, record.meaning) == (fault.value, None)
        assert ear.of(StateChange) == []
        assert ear.hearing.counters["bytes_unexplained"] == 0
        ear.hearing.close()


async def test_a_unit_that_speaks_behind_our_last_echo_knows_better() -> None:
    ear = Ear()
    ear.heard(POWER_TOLD)
    ear.sending(OFF, "a")
    assert not ear.hearing.observed_since_own("mixer", "power")
    ear.take(Direction.SENT, b"\xa5", transmission="a")
    ear.heard(POWER_TOLD)  # in front of our echo: said before it was told
    ear.take(Direction.ECHOED, b"\xa5", transmission="a", lags=(0.008,))
    assert not ear.hearing.observed_since_own("mixer", "power")
    ear.heard(VOLUME_31)
    assert ear.hearing.observed_since_own("mixer", "volume")
    assert not ear.hearing.observed_since_own("mixer", "power")
    assert not ear.hearing.observed_since_own("hall-amp", "volume")
    ear.hearing.sent()
    ear.hearing.close()


async def test_a_front_panel_counts_for_minimum_times() -> None:
    ear = Ear()
    ear.heard(summed(0xA6, 1, 0x50, 0))
    ear.bench.now = ear.now + 5.0
    on = ear.bench.turn(ear.bench.admit(ON))
    assert reason(on) is Reason.TOO_FAST  # the mixer has to stay off for twenty seconds
    ear.hearing.close()


async def test_what_was_held_back_is_told_when_the_line_is_idle() -> None:
    ear = Ear()
    ear.heard(VOLUME_31[:3])
    assert ear.hearing.counters["bytes_unexplained"] == 0
    ear.now += 10.0
    await until(lambda: ear.hearing.counters["bytes_unexplained"] == 3)
    ear.hearing.close()


async def test_a_computer_that_was_held_up_waits_for_the_rest_of_a_message() -> None:
    """The loop stood still for a second: the rest was read meanwhile, and is on its way."""
    ear = Ear()
    ear.heard(VOLUME_31[:3])
    ear.now += 1.0
    ear.hearing._settle()
    ear.heard(VOLUME_31[3:])
    assert ear.hearing.counters["bytes_unexplained"] == 0
    assert [record.meaning for record in ear.of(Traffic)][-1] == "Volume told, mixer: level 31, volume 31"
    ear.hearing.close()


async def test_nothing_is_told_after_the_end() -> None:
    ear = Ear()
    ear.heard(VOLUME_31[:3])
    ear.hearing.close()
    ear.now += 10.0
    ear.heard(VOLUME_31[:3])
    loop = asyncio.get_running_loop()
    pending = [handle for handle in loop._scheduled if not handle.cancelled()]  # type: ignore[attr-defined]  # -- nothing public tells
    assert pending == []


async def test_another_profile_holds_for_what_follows() -> None:
    ear = Ear()
    ear.heard(VOLUME_31[:3])
    ear.hearing.set_profile(compiled(shipped("pellgate-blind")))
    ear.heard(VOLUME_31[3:] + VOLUME_31)
    assert [record.meaning for record in ear.of(Traffic)] == [None, None]
    assert ear.of(StateChange) == []
    ear.hearing.close()


async def test_the_traffic_of_the_last_seconds_and_what_comes_after_can_be_had() -> None:
    ear = Ear()
    for value in range(10):
        ear.now = 1000.0 + value
        ear.heard(bytes([0xF0 + value]))
    mark = ear.hearing.taken
    assert [record.data[0] & 15 for record in ear.hearing.since(5007.0)] == [7, 8, 9]
    assert ear.hearing.after(mark) == ()
    # However its time is: what is read late may carry an earlier one.
    ear.now = 1004.0
    ear.heard(b"\xee")
    assert [record.data for record in ear.hearing.after(mark)] == [b"\xee"]
    ear.hearing.close()


async def test_a_babbling_line_does_not_fill_the_memory() -> None:
    ear = Ear()
    for _ in range(3000):
        ear.hearing.take([LineEvent(Direction.HEARD, b"\xff", ear.now)])
        ear.told.clear()
    assert len(ear.hearing.since(0.0)) == 2000
    assert len(ear.hearing.after(0)) == 2000
    ear.hearing.close()
