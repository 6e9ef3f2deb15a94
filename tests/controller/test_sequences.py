"""Sequences on a simulated ring: up in order, down in reverse, one a bus, and off passes."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from controller.records import Command, Origin, OriginKind, Outcome, SequenceProgress
from controller.sequences_records import Phase, SequenceOrder, StepResult
from controller.service import Controller
from profiles.errors import NotKnown
from tests.controller.halls import ADA, FROM_MQTT, RING, Watch, act, ring, running, state, until

EVENING = """
[sequences.evening]
title = "Evening"
up = [
    { unit = "mixer", action = "power-on" },
    { until = { mixer = { power = true } }, within_s = 5 },
    { wait_s = 0.05 },
    { unit = "hall-amp", action = "power-on" },
]

[sequences.foyer]
up = [{ unit = "foyer-amp", action = "power-on" }]

[sequences.slow]
up = [{ wait_s = 30 }, { unit = "mixer", action = "mute-off" }]
down = [{ unit = "mixer", action = "mute-on" }]

[sequences.careful]
on_failure = "undo"
up = [
    { unit = "mixer", action = "power-on" },
    { unit = "hall-amp", action = "power-on" },
    { unit = "foyer-amp", action = "power-on" },
]
"""
UP, DOWN, CANCEL = SequenceOrder.UP, SequenceOrder.DOWN, SequenceOrder.CANCEL


@pytest.fixture
async def hall(tmp_path: Path) -> AsyncIterator[Controller]:
    text = RING.replace('role = "power-amplifier"\n', 'role = "power-amplifier"\nmqtt = ["standby"]\n', 1)
    async with running(ring(tmp_path, text + EVENING), tmp_path / "state") as controller:
        yield controller


async def ended(controller: Controller, name: str) -> SequenceProgress:
    """How a sequence came to its end; waits for it."""
    found: list[SequenceProgress] = []

    async def look() -> bool:
        found[:] = [view.last for view in await controller.sequences() if view.id == name and view.last]
        return bool(found) and found[0].phase.over

    subscription = controller.subscribe(frozenset(("SequenceProgress",)))
    if not await look():
        async for record in subscription:
            if isinstance(record, SequenceProgress) and record.sequence == name and record.phase.over:
                return record
    return found[0]


async def test_a_hall_comes_up_in_order_and_goes_down_in_reverse(hall: Controller) -> None:
    watch = Watch(hall)
    begun = await hall.sequence("evening", UP, ADA)
    assert (begun.phase, begun.direction, begun.by) == (Phase.RUNNING, "up", "screen Ada")
    done = await ended(hall, "evening")
    assert done.phase is Phase.DONE, done
    assert {step.result for step in done.steps} == {StepResult.DONE}
    assert (await state(hall, "hall-amp", "power")).value is True
    await hall.sequence("evening", DOWN, ADA)
    assert (await ended(hall, "evening")).phase is Phase.DONE
    assert (await state(hall, "mixer", "power")).value is False
    await watch.end()
    told = [(record.unit, record.action) for record in watch.of(Command)]
    assert told == [
        ("mixer", "power-on"),
        ("hall-amp", "power-on"),
        ("hall-amp", "standby"),
        ("mixer", "standby"),
    ]
    assert {record.origin for record in watch.of(Command)} == {
        Origin(OriginKind.SEQUENCE, "evening (by screen Ada)")
    }
    # Each step is told as it begins and as it ends.
    results = [[step.result.value for step in record.steps] for record in watch.of(SequenceProgress)]
    assert ["running", "to-come", "to-come", "to-come"] in results
    assert ["done", "done", "running", "to-come"] in results


async def test_what_a_sequence_is_can_be_read(hall: Controller) -> None:
    evening, foyer, *_ = await hall.sequences()
    assert (evening.id, evening.title, evening.buses) == ("evening", "Evening", ("sound",))
    assert evening.down == ("hall-amp standby", "wait 0.05 s", "mixer standby")
    assert (foyer.title, foyer.last, foyer.warnings) == ("foyer", None, ())
    with pytest.raises(NotKnown, match="evening, foyer"):
        await hall.sequence("morning", UP, ADA)


async def test_one_sequence_a_bus_at_a_time(hall: Controller) -> None:
    await hall.sequence("slow", UP, ADA)
    again = await hall.sequence("slow", UP, ADA)
    assert again.phase is Phase.RUNNING
    refused = await hall.sequence("foyer", UP, ADA)
    assert refused.phase is Phase.REFUSED
    assert refused.text == "slow is on its way up on bus sound; wait for its end"
    cancelled = await hall.sequence("slow", CANCEL, ADA)
    assert cancelled.sequence == "slow"
    assert (await ended(hall, "slow")).phase is Phase.CANCELLED
    assert (await ended(hall, "slow")).text == "cancelled by screen Ada"
    assert (await hall.sequence("foyer", UP, ADA)).phase is Phase.RUNNING
    assert (await ended(hall, "foyer")).phase is Phase.DONE


async def test_going_down_passes_what_comes_up_and_waits_for_what_goes_down(hall: Controller) -> None:
    await hall.sequence("slow", UP, ADA)
    down = await hall.sequence("foyer", DOWN, ADA)
    assert down.phase is Phase.WAITING
    second = await hall.sequence("evening", DOWN, ADA)
    assert second.text == "waits for the end of slow, foyer"
    assert (await ended(hall, "slow")).text == "cancelled, because foyer goes down"
    assert (await ended(hall, "foyer")).phase is Phase.DONE
    assert (await ended(hall, "evening")).phase is Phase.DONE


async def test_everything_off_ends_what_comes_up(hall: Controller) -> None:
    await hall.sequence("slow", UP, ADA)
    outcomes = await hall.all_off("foyer-amp", ADA)
    assert [outcome.result.good for outcome in outcomes] == [True]
    assert (await hall.sequences())[2].last is not None
    assert (await hall.sequences())[2].last.phase is Phase.RUNNING  # type: ignore[union-attr]  # -- see above
    await hall.all_off(None, ADA)
    last = await ended(hall, "slow")
    assert last.phase is Phase.CANCELLED
    assert last.text == "taken back, because Ada switched everything off"


async def test_a_step_that_fails_stops_it_and_raises_an_alert_that_ends_by_itself(hall: Controller) -> None:
    lock = await hall.lock("hall-amp", "Kim", "new fuse")
    await hall.sequence("evening", UP, ADA)
    failed = await ended(hall, "evening")
    assert failed.phase is Phase.FAILED
    assert "hall-amp power-on: hall-amp is under a service lock of Kim: new fuse" in failed.text
    await until(hall._alerts.standing)
    (alert,) = await hall.alerts()
    assert alert.id == "sequence-evening-site"
    await hall.unlock(lock.id)
    await hall.sequence("evening", UP, ADA)
    assert (await ended(hall, "evening")).phase is Phase.DONE
    await until(lambda: not hall._alerts.standing())


async def test_what_was_done_is_undone_where_the_site_says_so(hall: Controller) -> None:
    watch = Watch(hall)
    await hall.lock("foyer-amp", "Kim", "new fuse")
    await hall.sequence("careful", UP, ADA)
    assert (await ended(hall, "careful")).phase is Phase.UNDONE
    await watch.end()
    good = {record.command_id for record in watch.of(Outcome) if record.result.good}
    told = [f"{record.unit} {record.action}" for record in watch.of(Command) if record.id in good]
    assert told == ["mixer power-on", "hall-amp power-on", "hall-amp standby", "mixer standby"]


async def test_what_a_unit_takes_over_mqtt_holds_for_sequences_that_come_from_there(hall: Controller) -> None:
    refused = await hall.sequence("evening", UP, FROM_MQTT)
    assert (refused.phase, refused.text) == (Phase.REFUSED, "hall-amp takes no power-on over MQTT")
    assert (await hall.sequence("foyer", UP, FROM_MQTT)).by == "mqtt a client"
    assert (await ended(hall, "foyer")).phase is Phase.DONE


async def test_a_controller_that_ends_cancels_what_is_on_its_way(tmp_path: Path) -> None:
    async with running(ring(tmp_path, RING + EVENING), tmp_path / "state") as controller:
        watch = Watch(controller)
        await controller.sequence("slow", UP, ADA)
        outcome = await act(controller, "mixer", "power-on")
        assert outcome.result.good
    await watch.end()
    assert watch.of(SequenceProgress)[-1].phase is Phase.CANCELLED
    assert watch.of(SequenceProgress)[-1].text == "the controller has ended"
