"""One outcome a command, whatever happens, at whatever moment."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.bus import Bus
from controller.records import Command, Known, LinkState, Outcome, Reason, Result, StateChange, Traffic
from controller.service import Controller
from controller.site import LoadedSite
from profiles.errors import JournalError
from tests.controller.halls import ADA, Watch, act, chain_text, entry, ring, running, state, until

SLOW = 1200
"""A frame takes 8.3 ms, its way round three units 33: slow enough to do something at each moment."""

ON = Command("mixer", "power-on", origin=ADA, id="one")


def slow_ring(folder: Path, baud: float = SLOW) -> LoadedSite:
    return ring(folder, chain=chain_text(baud))


def sent(watch: Watch) -> int:
    return sum(len(each.data) for each in watch.of(Traffic) if each.direction == "sent")


def echoed(watch: Watch) -> int:
    return sum(len(each.data) for each in watch.of(Traffic) if each.direction == "echoed")


class Scene:
    """A hall with a command on its way, and all that is told of it."""

    def __init__(self, controller: Controller) -> None:
        self.api = controller
        self.watch = Watch(controller)

    async def order(self, text: str) -> None:
        await self.api.simulate("sound", text)

    def begin(self, command: Command = ON) -> asyncio.Task[Outcome]:
        return asyncio.create_task(self.api.submit(command))

    async def check_one_outcome(self, asked: asyncio.Task[Outcome], command: Command = ON) -> Outcome:
        """It has exactly one outcome: the one who asked, the listeners and the journal have the same."""
        outcome = await asked
        await self.watch.end()
        assert [each for each in self.watch.of(Outcome) if each.command_id == command.id] == [outcome]
        assert (await entry(self.api, command.id)).outcome == outcome
        return outcome


Moment = Callable[[Scene], Awaitable[None]]


async def at_once(_scene: Scene) -> None:
    """It has not even been looked at."""


async def while_it_is_entered(_scene: Scene) -> None:
    await asyncio.sleep(0)


async def behind_a_hold_off(scene: Scene) -> None:
    await until(lambda: len(scene.api._buses["sound"]._queue) == 1)


async def while_the_line_is_busy(scene: Scene) -> None:
    await until(lambda: scene.api._buses["sound"]._current is not None)


async def after_the_first_frame(scene: Scene) -> None:
    await until(lambda: sent(scene.watch) >= 1)


async def after_the_third_frame(scene: Scene) -> None:
    await until(lambda: sent(scene.watch) >= 3)


async def before_the_second_attempt(scene: Scene) -> None:
    await until(lambda: echoed(scene.watch) >= 2)
    await asyncio.sleep(0.1)  # the third echo is lost; a quarter of a second goes by until that is told


MOMENTS: dict[str, tuple[list[str], Moment]] = {
    "at once": ([], at_once),
    "while it is entered in the journal": ([], while_it_is_entered),
    "behind a hold-off": (["hold-off"], behind_a_hold_off),
    "while the line is busy": (["saturate 3"], while_the_line_is_busy),
    "after the first frame": ([], after_the_first_frame),
    "after the third frame": ([], after_the_third_frame),
    "before the second attempt": (["drop 3"], before_the_second_attempt),
}


async def prepare(scene: Scene, orders: list[str]) -> int:
    """Set the scene; returns how many bytes went out for that."""
    for order in orders:
        if order == "hold-off":
            assert (await act(scene.api, "mixer", "power-on")).result is Result.CONFIRMED
            await until(lambda: sent(scene.watch) == 4)
            continue
        await scene.order(order)
        if order.startswith("saturate"):
            await until(lambda: scene.watch.of(Traffic))
    return sent(scene.watch)


@pytest.mark.parametrize("name", MOMENTS)
async def test_cancelled_at_each_moment(name: str, tmp_path: Path) -> None:
    orders, moment = MOMENTS[name]
    async with running(slow_ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        before = await prepare(scene, orders)
        asked = scene.begin()
        await moment(scene)
        there = await controller.cancel("one")
        if name == "at once":
            assert not there  # there was none yet
            assert (await scene.check_one_outcome(asked)).result is Result.CONFIRMED
            return
        assert there
        outcome = await scene.check_one_outcome(asked)
        assert (outcome.result, outcome.attempts) == (
            Result.CANCELLED,
            1 if name.startswith(("after", "before")) else 0,
        )
        # What was taken back in the middle is no whole message: nothing of it can have been obeyed.
        assert sent(scene.watch) - before < 4
        assert not await controller.cancel("one")
        known = (await state(controller, "mixer", "power")).known
        assert known is (Known.CONFIRMED if orders == ["hold-off"] else Known.UNKNOWN)


async def test_a_command_whose_last_frame_is_out_may_have_been_obeyed_though_it_is_cancelled(
    tmp_path: Path,
) -> None:
    async with running(slow_ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
        await scene.order("drop 4")  # the last echo
        asked = scene.begin()
        await until(lambda: sent(scene.watch) == 8)
        assert await controller.cancel("one")
        outcome = await scene.check_one_outcome(asked)
        assert outcome.result is not Result.CONFIRMED
        power = await state(controller, "mixer", "power")
        assert (power.known, power.last_known) == (Known.UNKNOWN, False)


@pytest.mark.parametrize("name", MOMENTS)
async def test_the_adapter_pulled_out_at_each_moment(name: str, tmp_path: Path) -> None:
    orders, moment = MOMENTS[name]
    async with running(slow_ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        await prepare(scene, orders)
        asked = scene.begin()
        await moment(scene)
        await scene.order("unplug")
        outcome = await scene.check_one_outcome(asked)
        assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.LINK_LOST)
        assert "plug" in outcome.look_at
        bus = controller._buses["sound"]
        await until(lambda: bus.status.link is LinkState.DOWN)
        assert {alert.id for alert in await controller.alerts()} == {"link-sound"}
        states = (await controller.states())["mixer"]
        assert {value.known for value in states.values()} == {Known.UNKNOWN}
        await scene.order("clear all")
        await until(lambda: bus.status.link is LinkState.UP)
        assert await controller.alerts() == []
        assert (await act(controller, "mixer", "mute-on")).result is Result.CONFIRMED


@pytest.mark.parametrize("name", MOMENTS)
async def test_the_controller_closed_at_each_moment(name: str, tmp_path: Path) -> None:
    orders, moment = MOMENTS[name]
    loaded = slow_ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        scene = Scene(controller)
        await prepare(scene, orders)
        asked = scene.begin()
        await moment(scene)
    outcome = await asked
    assert outcome.result is Result.CANCELLED
    assert [each for each in scene.watch.of(Outcome) if each.command_id == "one"] == [outcome]
    await scene.watch.end()
    async with running(loaded, tmp_path / "state") as controller:
        assert (await entry(controller, "one")).outcome == outcome


async def test_a_known_link_state_outlives_no_lost_link(tmp_path: Path) -> None:
    """Confirmed in the same moment in which the adapter is pulled out: unknown is what stands."""
    async with running(slow_ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        asked = scene.begin()
        await until(lambda: echoed(scene.watch) == 4 or asked.done())
        await scene.order("unplug")
        await asked
        await until(lambda: controller._buses["sound"].status.link is LinkState.DOWN)
        await asyncio.sleep(0.05)
        assert (await state(controller, "mixer", "power")).known is Known.UNKNOWN
        await scene.watch.end()
        power = [change for change in scene.watch.of(StateChange) if change.state == "power"]
        assert [change.value.known for change in power][-1:] in ([], [Known.UNKNOWN])


# Faults of this program


async def check_it_goes_on(scene: Scene) -> None:
    """The next command is carried out as ever."""
    outcome = await act(scene.api, "hall-amp", "mute-on")
    assert outcome.result is Result.CONFIRMED


@pytest.mark.parametrize("where", ["gate", "report", "transmit", "hearing"])
async def test_a_fault_of_this_program_is_an_outcome_and_an_alert_and_the_bus_goes_on(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a mistake in the program")

    async with running(ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        bus = controller._buses["sound"]
        with monkeypatch.context() as patched:
            match where:
                case "gate":
                    patched.setattr(controller._gate, "at_its_turn", fails)
                case "report":
                    patched.setattr("controller.carrier.states_after", fails)
                case "transmit":
                    patched.setattr(bus._line.link, "transmit", fails)
                case "hearing":
                    patched.setattr(bus._hearing, "sending", fails)
            outcome = await scene.check_one_outcome(scene.begin())
        assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.INTERNAL)
        (alert,) = await controller.alerts()
        assert (alert.id, "a mistake in the program" in alert.text) == ("fault-sound", True)
        assert "ZeroDivisionError" in caplog.text
        await check_it_goes_on(scene)


async def test_a_fault_in_the_links_thread_is_an_outcome_and_an_alert_and_the_link_begins_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        with monkeypatch.context() as patched:
            patched.setattr("controller.echo.EchoMachine.tick", lambda *_: 1 / 0)
            outcome = await scene.check_one_outcome(scene.begin())
        assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.INTERNAL)
        await until(lambda: "fault-sound" in {alert.id for alert in controller._alerts.standing()})
        assert "ZeroDivisionError" in caplog.text
        await until(lambda: controller._buses["sound"].status.link is LinkState.UP)
        await check_it_goes_on(scene)


async def test_the_gates_own_fault_on_the_way_in_is_an_outcome_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        with monkeypatch.context() as patched:
            patched.setattr(controller._gate, "admit", lambda *_, **__: 1 / 0)
            outcome = await scene.begin()
        assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.INTERNAL)
        assert {alert.id for alert in await controller.alerts()} == {"fault-site"}
        assert (await entry(controller, "one")).outcome == outcome
        assert "ZeroDivisionError" in caplog.text
        await check_it_goes_on(scene)
        await scene.watch.end()


async def test_a_fault_in_the_queue_does_not_end_the_worker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)
        faults = iter([ZeroDivisionError("once")])
        ready = controller._gate.ready

        def ready_but_once(cleared):  # type: ignore[no-untyped-def]  # -- as the gate's
            for fault in faults:
                raise fault
            return ready(cleared)

        monkeypatch.setattr(controller._buses["sound"]._queue, "_ready", ready_but_once)
        assert (await scene.check_one_outcome(scene.begin())).result is Result.CONFIRMED
        assert {alert.id for alert in await controller.alerts()} == {"fault-sound"}


@pytest.mark.parametrize("error", [JournalError("the disk is full"), ZeroDivisionError("a mistake")])
async def test_an_outcome_that_the_journal_can_not_take_is_told_all_the_same(
    error: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        scene = Scene(controller)

        async def fails(*_: object) -> None:
            raise error

        with monkeypatch.context() as patched:
            patched.setattr(controller._journal, "outcome", fails)
            outcome = await scene.begin()
        assert outcome.result is Result.CONFIRMED
        assert await controller.submit(ON) == outcome
        kinds = {alert.id for alert in await controller.alerts()}
        assert kinds == {"journal-site" if isinstance(error, JournalError) else "fault-sound"}
        await check_it_goes_on(scene)
        await scene.watch.end()
        assert scene.watch.of(Outcome)[0] == outcome


async def test_a_link_that_ends_without_a_word_leaves_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("controller.bus._LAST_WORD", 0.05)
    loaded = slow_ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        scene = Scene(controller)
        bus = controller._buses["sound"]
        monkeypatch.setattr(bus, "on_report", lambda _report: None)
        asked = scene.begin()
        await until(lambda: sent(scene.watch) >= 1)
    outcome = await asked
    assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.INTERNAL)
    assert "without a word" in caplog.text
    await scene.watch.end()


# What a unit says for itself


async def test_what_a_unit_says_while_an_action_settles_stands(tmp_path: Path) -> None:
    """Told to go to 9, the unit is turned to 8 by hand in the same moment, and says so."""
    async with running(slow_ring(tmp_path, 300), tmp_path / "state") as controller:
        scene = Scene(controller)
        asked = scene.begin(Command("mixer", "set-volume", {"level": 9}, ADA, id="one"))
        await until(lambda: echoed(scene.watch) == 5)
        await scene.order("press 1 set-volume level=8")
        outcome = await scene.check_one_outcome(asked)
        assert outcome.result is Result.CONFIRMED
        await until(lambda: controller._states.observed("mixer", {"volume": 8}))


# What is learned


async def test_the_length_of_a_hop_is_learned_and_kept(tmp_path: Path) -> None:
    loaded = slow_ring(tmp_path, 300)
    spec = loaded.site.buses["sound"]
    port = f"{spec.port}&hop_bits=9.6"
    loaded.site.buses["sound"] = spec.model_copy(update={"port": port})
    async with running(loaded, tmp_path / "state") as controller:
        assert (await controller.probe("sound")).units_answering == 3
        report = await controller.probe("sound")
        assert report.hop_bits == pytest.approx(9.6, abs=0.1)
    async with running(loaded, tmp_path / "state") as controller:
        bus: Bus = controller._buses["sound"]
        assert bus.setup.hop_bits == pytest.approx(9.6, abs=0.1)
        entries = await controller.journal(JournalQuery())
        assert [each.outcome.units_answering for each in entries if each.outcome] == [3, 3]
