"""A short evening at Larkfield Hall, told line by line: what is done, its bytes and echoes, what is known."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
from collections.abc import Awaitable, Callable
from importlib import resources
from pathlib import Path

from controller.api import ControllerApi
from controller.mqtt_settings import BrokerSettings
from controller.records import Command, Direction, Known, Origin, OriginKind, StateChange, Traffic
from controller.service import Controller
from controller.site import LoadedSite, load_site
from controller.state_folder import Claim
from profiles.model import Value
from tui.telling import hexadecimal, outcome_words, plain, state_word

__all__ = ["Evening", "load_hall", "play"]

_ORIGIN = Origin(OriginKind.COMMAND_LINE, "demo")


def load_hall() -> LoadedSite:
    """The hall's site, from the package."""
    with resources.as_file(resources.files("tui.demo") / "larkfield-hall.toml") as path:
        return load_site(path)


class Evening:
    """Plays the evening on a controller.

    Args:
        api: the hall's controller.
        say: takes each line.
        pause: waits between steps, for reading.
    """

    def __init__(
        self, api: ControllerApi, say: Callable[[str], None], pause: Callable[[float], Awaitable[None]]
    ) -> None:
        self._api = api
        self._say = say
        self._pause = pause
        self.went_as_told = True
        """Whether every step ended as the story says: the demo is also a check of the whole."""

    async def play(self) -> None:
        """From switching on to switching off."""
        listener = asyncio.create_task(self._tell_traffic())
        try:
            await self._before()
            await self._opening()
            await self._break()
            await self._service()
            await self._closing()
        finally:
            listener.cancel()
            await asyncio.gather(listener, return_exceptions=True)

    async def _before(self) -> None:
        site = await self._api.site()
        buses = await self._api.buses()
        self._say(f"{site.title}: {len(site.units)} units on {len(buses)} buses, all simulated.")
        self._say("On start nothing is sent, and nothing is known of any unit.")
        await self._head("Who is there?")
        report = await self._api.probe("sound")
        self._say(f"   {report.text}")
        # On a busy machine frames come late, and then nobody can tell: that is no wrong answer.
        self._expect(report.units_answering in (3, None))

    async def _opening(self) -> None:
        await self._head("The doors open: sound on, power amplifiers last")
        await self._act("mixer", "power-on")
        await self._act("mixer", "select-input", input="stage")
        await self._act("mixer", "set-volume", level=24)
        await self._act("hall-amp", "power-on")
        await self._act("foyer-amp", "power-on")
        await self._head("Screen down, blinds closed, lights to scene 6")
        await self._act("screen-lift", "down", "answered")
        await self._act("blind-left", "close")
        await self._act("blind-right", "close")
        await self._act("stage-lights", "program-change", "sent", scene=6)
        await self._head("Somebody turns the mixer's volume by hand")
        seen = asyncio.create_task(self._until("mixer", "volume", 31))
        await asyncio.sleep(0)
        self._say(f"   {await self._api.simulate('sound', 'press 1 set-volume level=31')}")
        await seen
        await self._states("mixer", "foyer-amp", "screen-lift", "stage-lights")

    async def _break(self) -> None:
        await self._head("A cable comes loose behind the hall amplifier")
        self._say(f"   {await self._api.simulate('sound', 'cut 2')}")
        await self._act("foyer-amp", "set-volume", "failed", level=10)
        for alert in await self._api.alerts():
            self._say(f"   alert: {alert.target}: {alert.text}")
        self._say(f"   {await self._api.simulate('sound', 'clear all')}")
        await self._act("foyer-amp", "set-volume", level=10)
        self._expect(not await self._api.alerts())

    async def _service(self) -> None:
        await self._head("Somebody works on the foyer amplifier: a service lock")
        await self._act("foyer-amp", "standby")
        lock = await self._api.lock("foyer-amp", "Ada", "new fuse")
        await self._act("foyer-amp", "power-on", "refused")
        await self._api.unlock(lock.id)
        self._say("   the lock is cleared, on the spot")

    async def _closing(self) -> None:
        await self._head("The hall closes: everything off")
        for outcome in await self._api.all_off(None, _ORIGIN):
            self._expect(outcome.result.good)
        await self._states("hall-amp", "mixer", "screen-lift")

    # Small steps

    async def _head(self, text: str) -> None:
        await self._pause(1.0)
        self._say("")
        self._say(f"== {text}")

    async def _act(self, unit: str, action: str, expected: str = "confirmed", **parameters: Value) -> None:
        await self._pause(0.4)
        command = Command(unit, action, parameters, _ORIGIN, agreed=True)
        outcome = await self._api.submit(command)
        self._say(f"   {outcome_words(command, outcome)}")
        self._expect(outcome.result.value == expected)

    async def _until(self, unit: str, state: str, value: Value) -> None:
        """Wait until a state is observed to be so, for at most some seconds."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(5):
                async for record in self._api.subscribe(frozenset(("StateChange",))):
                    if isinstance(record, StateChange) and (record.unit, record.state) == (unit, state):
                        break
        found = (await self._api.states())[unit][state]
        self._expect(found.value == value and found.known is Known.OBSERVED)

    async def _states(self, *units: str) -> None:
        states = await self._api.states()
        for unit in units:
            told = ", ".join(state_word(name, value) for name, value in states[unit].items())
            self._say(f"   {unit}: {told}")

    async def _tell_traffic(self) -> None:
        kinds = frozenset(("Traffic", "StateChange"))
        async for record in self._api.subscribe(kinds):
            if isinstance(record, Traffic):
                self._say(f"     {_traffic(record)}")
            elif isinstance(record, StateChange) and record.value.known is Known.OBSERVED:
                self._say(f"     = {record.unit}: {state_word(record.state, record.value)}")

    def _expect(self, as_told: bool) -> None:
        if not as_told:
            self.went_as_told = False
            self._say("   (that did not go as it should)")


_WORDS = {
    Direction.SENT: "sent  ",
    Direction.ECHOED: "echo  ",
    Direction.HEARD: "heard ",
    Direction.PASSED_ON: "passed",
}


def _traffic(record: Traffic) -> str:
    line = f"{record.bus:<7}{_WORDS[record.direction]} {hexadecimal(record.data)}"
    lags = [lag for lag in record.lags or () if lag is not None]
    if record.direction is Direction.ECHOED and lags:
        line += f"  {'✓' * len(lags)}  lag {min(lags) * 1000:.1f} ms"
    if record.direction is Direction.HEARD and record.meaning:
        line += f"  {plain(record.meaning)}"
    return f"{line}  ✗ {plain(record.fault)}" if record.fault else line


async def play(
    loaded: LoadedSite, say: Callable[[str], None], *, fast: bool, named: BrokerSettings | None = None
) -> bool:
    """The whole evening on a controller of its own, shown at a broker; whether it went as told."""
    from tui.demo.broker import at_broker

    async def pause(seconds: float) -> None:
        await asyncio.sleep(0 if fast else seconds)

    with tempfile.TemporaryDirectory(prefix="linewarden-demo-") as folder, Claim(Path(folder)) as claim:
        controller = await Controller.open(loaded, claim.folder)
        try:
            await controller.ready()
            async with at_broker(controller, loaded, named, say):
                evening = Evening(controller, say, pause)
                await evening.play()
        finally:
            await controller.close()
    return evening.went_as_told
