"""``linewarden sequence``: bring a hall up or take it down, step by step."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable

from controller.api import ControllerApi
from controller.records import SequenceProgress, to_json
from controller.sequences_plan import Direction, Planner
from controller.sequences_records import Phase, SequenceOrder, SequenceView, StepResult
from controller.site import LoadedSite
from profiles.errors import InputError
from tui.asking import agreed
from tui.session import me, run_with_api
from tui.telling import as_json, plain, table

_ORDERS = {"start": SequenceOrder.UP, "stop": SequenceOrder.DOWN, "cancel": SequenceOrder.CANCEL}
_OVER = (StepResult.DONE, StepResult.LEFT_OUT, StepResult.FAILED, StepResult.CANCELLED, StepResult.UNDONE)


def run(arguments: argparse.Namespace) -> int:
    """List them, show one, or have one go; 0 where it came to a good end."""
    if arguments.name is None or arguments.order == "show":
        return _show(arguments)
    yes: bool | None = False
    if arguments.order == "start":
        yes = agreed(arguments, lambda loaded: _told(loaded, arguments.name))
        if yes is None:
            return 1
    order = _ORDERS[arguments.order]

    async def work(api: ControllerApi) -> SequenceProgress:
        records = api.subscribe(frozenset(("SequenceProgress",)))
        progress = await api.sequence(arguments.name, order, me(), agreed=bool(yes))
        teller = _Teller(quiet=arguments.json)
        teller.tell(progress)
        if not progress.phase.over:
            async for record in records:
                if isinstance(record, SequenceProgress) and record.run == progress.run:
                    progress = record
                    teller.tell(progress)
                    if progress.phase.over:
                        break
        return progress

    progress = run_with_api(arguments, work)
    return _end(arguments, progress)


def _told(loaded: LoadedSite, name: str) -> Iterable[tuple[str, str]]:
    spec = loaded.site.sequences.get(name)
    if spec is None:
        return ()
    plan = Planner(loaded.site.units, loaded.profiles).plan(name, spec, Direction.UP)
    return tuple((step.unit, step.action) for step in plan.done)


def _show(arguments: argparse.Namespace) -> int:
    async def work(api: ControllerApi) -> list[SequenceView]:
        return await api.sequences()

    views = run_with_api(arguments, work)
    if arguments.name is not None:
        views = [view for view in views if view.id == arguments.name]
        if not views:
            raise InputError(f"no sequence is called {arguments.name!r}", todo="see `linewarden sequence`")
    if arguments.json:
        print(as_json([to_json(view) for view in views]))
    elif arguments.name is None:
        rows = [(view.id, view.title, ", ".join(view.buses), _came(view)) for view in views]
        print("\n".join(table(rows, ("SEQUENCE", "TITLE", "BUSES", "CAME LAST"))))
    else:
        print("\n".join(plain(line) for line in _about(views[0])))
    return 0


def _came(view: SequenceView) -> str:
    return f"{view.last.direction}: {view.last.phase.value}" if view.last is not None else ""


def _about(view: SequenceView) -> list[str]:
    lines = [f"{view.id}: {view.title}", f"up ({view.on_failure} where a step fails)"]
    lines += [f"  {step}" for step in view.up]
    lines.append(f"down ({view.down_on_failure} where a step fails)")
    lines += [f"  {step}" for step in view.down]
    lines += [f"asks first: {unit}" for unit in view.asks]
    lines += [f"careful: {warning}" for warning in view.warnings]
    if view.last is not None:
        lines.append(f"last: {_came(view)}. {view.last.text}".removesuffix(". "))
    return lines


class _Teller:
    """Prints each step as it is over."""

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._told: dict[int, StepResult] = {}
        self._waits = ""

    def tell(self, progress: SequenceProgress) -> None:
        """Print what is new."""
        if self._quiet:
            return
        if progress.phase is Phase.WAITING and progress.text != self._waits:
            self._waits = progress.text
            print(plain(progress.text), flush=True)
        for number, step in enumerate(progress.steps):
            if step.result in _OVER and self._told.get(number) is not step.result:
                self._told[number] = step.result
                why = f": {step.text}" if step.text else ""
                print(plain(f"{step.result.value:<10}{step.words}{why}"), flush=True)


def _end(arguments: argparse.Namespace, progress: SequenceProgress) -> int:
    good = progress.phase is Phase.DONE or (
        arguments.order == "cancel" and progress.phase is not Phase.REFUSED
    )
    words = f"{progress.sequence} {progress.direction}: {progress.phase.value}"
    if progress.text:
        words += f": {progress.text}"
    if arguments.json:
        print(as_json(to_json(progress)))
    elif good:
        print(plain(words))
    else:
        print(f"linewarden: {plain(words)}", file=sys.stderr)
    return 0 if good else 1
