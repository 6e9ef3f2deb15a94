"""The dashboard's work on boxes: export, proof and qualification; it goes on under other screens."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from profiles.checking import load_profile
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, LinewardenError
from profiles.model import Effect
from tui.telling import plain

if TYPE_CHECKING:
    from controller.qualifying.plan import Asked
    from controller.qualifying.runner import Progress
    from tui.app import DashboardApp

__all__ = ["BoxWork", "ExportChoice"]

_MOST_LINES = 400


class ExportChoice:
    """What an export begins from: a profile, and what it would tell if nobody says otherwise.

    Args:
        profile: the profile.
        text: its file.
        address: of the first unit of the site that has it; None where none has.
    """

    def __init__(self, profile: CompiledProfile, text: str, address: int | None) -> None:
        self.profile = profile
        self.text = text
        known = profile.profile.address
        self.address = address if address is not None or known is None else known.range[0]
        self.on = self._first(Effect.ENERGISE)
        self.off = self._first(Effect.DE_ENERGISE)

    def _first(self, effect: Effect) -> str:
        named = (
            action.name
            for action in self.profile.actions.values()
            if action.spec.effect is effect and not action.spec.parameters
        )
        return next(named, "")


class BoxWork:
    """What is being done about boxes, and what came of it; one thing at a time.

    Args:
        app: the dashboard.
    """

    def __init__(self, app: DashboardApp) -> None:
        self._app = app
        self.lines: deque[str] = deque(maxlen=_MOST_LINES)
        """What came of it, newest last."""
        self.doing = ""
        """What is being done; empty while nothing is."""
        self.step = ""
        """Where that is."""
        self.done = 0
        self.of = 0
        """How much of how much is done; 0 of 0 where that is not known."""
        self.folder = "box"
        """The box that was exported last."""
        self.report: Path | None = None
        self._stop: asyncio.Event | None = None
        self._afterwards: Callable[[], None] | None = None

    @property
    def switching(self) -> bool:
        """Whether a unit is being switched on and off."""
        return self._stop is not None

    @property
    def note(self) -> str:
        """What every screen says of it; empty while no unit is being switched."""
        return f"qualifying: {self.done} of {self.of} cycles" if self.switching else ""

    # Beginning

    async def begin_export(self, key: str) -> ExportChoice:
        """What an export of that profile begins from.

        Raises:
            LinewardenError: there is no such profile, or it has faults.
        """
        text = await self._app.api.profile(key)
        profile = await asyncio.to_thread(load_profile, text.text, text.path)
        buses = {bus.id for bus in self._app.model.site.buses if bus.profile == key}
        addresses = (unit.address for unit in self._app.model.site.units if unit.bus in buses)
        return ExportChoice(profile, text.text, next(addresses, None))

    def export(self, choice: ExportChoice, texts: Mapping[str, str]) -> None:
        """Write a box's source as a form's texts say."""

        def write() -> list[str]:
            from profiles.firmware.export import export_firmware
            from profiles.firmware.request import FirmwareRequest
            from profiles.firmware.writing import write_firmware
            from tui.commands.firmware import telling, written

            export = export_firmware(
                FirmwareRequest(
                    profile=choice.profile,
                    on=telling(texts["on"].split(), choice.profile),
                    off=telling(texts["off"].split(), choice.profile),
                    text=choice.text,
                    address=int(texts["address"], 0) if texts["address"] else None,
                    chip=texts["chip"],
                    clock=float(texts["clock"]) * 1e6,
                )
            )
            folder = Path(texts["folder"])
            write_firmware(export, folder)
            return written(export, folder)

        async def work() -> None:
            self.say(*await asyncio.to_thread(write))
            self.folder = texts["folder"]

        self._begin("export", work)

    def prove(self, folder: str) -> None:
        """Build a box and run it on a simulated chip."""

        def step(done: int, of: int, what: str) -> None:
            self._app.call_from_thread(self._at, done, of, what)

        async def work() -> None:
            from controller.proving.proof import prove
            from tui.commands.firmware import proven

            self.say(*proven(await asyncio.to_thread(prove, Path(folder), step)))

        self._begin(f"proof of {folder}", work)

    def qualify(self, asked: Asked, named: str | None) -> None:
        """Switch a unit on and off many times and report on it; ``end`` ends it in order."""
        from tui.qualification.writing import must_be_free, report_path

        path = report_path(named, asked.unit, self._app.utc())
        must_be_free(path)
        if self.doing:
            raise BadValue(f"the {self.doing} goes on still", todo="wait until it is over")
        stop = self._stop = asyncio.Event()

        async def work() -> None:
            try:
                await self._qualify(asked, path, stop)
            finally:
                self._stop = None

        self._begin("qualification", work)

    async def _qualify(self, asked: Asked, path: Path, stop: asyncio.Event) -> None:
        from controller.qualifying.runner import qualify
        from tui.qualification.words import report_lines
        from tui.qualification.writing import make_report, write_report

        def told(progress: Progress) -> None:
            failed = f", {progress.failed} failed" if progress.failed else ""
            self._at(progress.done, progress.cycles, f"{progress.text}{failed}")

        run = await qualify(self._app.api, asked, origin=self._app.origin(), stop=stop, tell=told)
        report = make_report(run, {})
        page, document = await asyncio.to_thread(write_report, path, report)
        self.report = page
        self.say(*report_lines(report), f"report: {page.resolve()}", f"data:   {document.resolve()}")

    # While it goes on

    def end(self) -> None:
        """End a qualification in order: the unit is switched off, and the report written."""
        if self._stop is not None:
            self._stop.set()
            self._at(self.done, self.of, "ending; the unit is being switched off")

    def before_leaving(self, leave: Callable[[], None]) -> None:
        """Leave at once, or ask, and leave when the unit that is being switched is off."""
        if not self.switching:
            leave()
            return
        from tui.screens.sheets import AskSheet

        def answered(yes: bool | None) -> None:
            if yes:
                self._afterwards = leave
                self.end()
                self._leave_if_over()

        head = "A unit is being switched on and off. End that, and leave?"
        self._app.push_screen(
            AskSheet(head, "It is switched off first, and the report is written."), answered
        )

    def say(self, *lines: str) -> None:
        """Say what came of it."""
        self.lines.extend(plain(line) for line in lines)
        self._look_again()

    def _begin(self, what: str, work: Callable[[], Awaitable[None]]) -> None:
        if self.doing:
            raise BadValue(f"the {self.doing} goes on still", todo="wait until it is over")
        self.doing, self.done, self.of, self.step = what, 0, 0, ""
        self.say(f"{what}:")

        async def guarded() -> None:
            try:
                await work()
            except LinewardenError as error:
                self.say(f"✗ {error}")
            finally:
                self.doing = self.step = ""
                self._look_again()
                self._leave_if_over()

        self._app.work(guarded, what)

    def _leave_if_over(self) -> None:
        leave = self._afterwards
        if leave is not None and not self.switching:
            self._afterwards = None
            leave()

    def _at(self, done: int, of: int, step: str) -> None:
        self.done, self.of, self.step = done, of, plain(step)
        self._look_again()

    def _look_again(self) -> None:
        if self._app.main_screen is not None:
            self._app.main_screen.look_again()
