"""``linewarden qualify``: a unit switched on and off many times, and a report of what came of it."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
import sys
import time
from collections.abc import Iterator
from types import FrameType

from controller.qualifying.captures import CaptureGiven, read_captures
from controller.qualifying.plan import Asked, QualifyPlan, plan_for
from controller.qualifying.runner import Progress, qualify
from controller.qualifying.trials import Trials
from controller.qualifying.verdict import Result, read_limits
from controller.site import LoadedSite, load_site
from controller.views import site_view
from profiles.errors import BadValue, LinewardenError
from profiles.model import Value
from tui.parameters import find_unit, read_parameters
from tui.progress_line import ProgressLine
from tui.qualification.words import report_lines
from tui.qualification.writing import make_report, must_be_free, report_path, write_report
from tui.session import find_site, me, state_folder, working_api
from tui.telling import as_json, plain

__all__ = ["run"]


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 where the verdict is a pass, 1 where not, 2 where the call is wrong and nothing was done."""
    loaded = load_site(find_site(arguments))
    asked = _asked(arguments, loaded)
    plan = plan_for(site_view(loaded), asked)
    limits = read_limits(arguments.limit)
    captures = read_captures(arguments.capture, arguments.original, arguments.channel)
    _check_captures(captures, plan, loaded)
    path = report_path(arguments.output, plan.unit, time.time())
    must_be_free(path, replace=arguments.replace)
    _agree(arguments, plan)
    trials = asyncio.run(_carried_out(arguments, loaded, asked))
    report = make_report(trials, limits, _waveforms(captures, plan, loaded, trials))
    page, document = write_report(path, report)
    if arguments.json:
        print(as_json({**report.document, "report": str(page), "document": str(document)}))
    else:
        for line in (*report_lines(report), f"report: {page}", f"data:   {document}"):
            print(plain(line))
    return 0 if report.verdict.result is Result.PASS else 1


def _asked(arguments: argparse.Namespace, loaded: LoadedSite) -> Asked:
    on, off = arguments.on or [None], arguments.off or [None]
    return Asked(
        arguments.unit,
        on[0],
        _parameters(loaded, arguments.unit, on),
        off[0],
        _parameters(loaded, arguments.unit, off),
        arguments.cycles,
        arguments.on_for,
        arguments.off_for,
        arguments.ready,
        arguments.tap,
    )


def _parameters(loaded: LoadedSite, unit: str, words: list[str | None]) -> dict[str, Value]:
    view = find_unit(site_view(loaded), unit)
    return read_parameters([word for word in words[1:] if word is not None], view, words[0] or "")


def _check_captures(captures: list[CaptureGiven], plan: QualifyPlan, loaded: LoadedSite) -> None:
    for each in captures:
        if each.action not in (plan.on, plan.off):
            raise BadValue(
                f"{each.action} is not done in this qualification", todo=f"capture {plan.on} or {plan.off}"
            )
    for each in captures:
        if not each.path.exists():
            print(
                plain(f"linewarden: {each.path} is not there yet; it is read after the run"), file=sys.stderr
            )
    # Read once before anything is switched: a wrong file is found now, not at the end.
    _compared([each for each in captures if each.path.exists()], plan, loaded)


def _compared(
    captures: list[CaptureGiven], plan: QualifyPlan, loaded: LoadedSite
) -> list[tuple[dict[str, object], str, bool]] | None:
    if not captures:
        return None
    from controller.qualifying.waveforms import compare_captures

    parameters = {plan.on: plan.on_parameters, plan.off: plan.off_parameters}
    address = loaded.site.units[plan.unit].address
    made = compare_captures(captures, loaded.profiles[plan.bus], parameters, address)
    return [(each.document, each.picture, each.comparison.matches) for each in made]


def _waveforms(
    captures: list[CaptureGiven], plan: QualifyPlan, loaded: LoadedSite, trials: Trials
) -> list[tuple[dict[str, object], str, bool]] | None:
    try:
        return _compared(captures, plan, loaded)
    except LinewardenError as error:
        # A run that is over is reported, whatever became of a file meanwhile.
        trials.notes.append(f"the captures could not be compared: {error}")
        return None


def _agree(arguments: argparse.Namespace, plan: QualifyPlan) -> None:
    """A person has to say yes: gear is switched many times.

    Raises:
        BadValue: nobody did.
    """
    what = (
        f"{plan.unit}: {plan.all_switched} will be switched on and off {plan.cycles} times, "
        f"{plan.on_for:g} s on and {plan.off_for:g} s off: about {plan.seconds / 60:.1f} minutes"
    )
    if arguments.yes:
        return
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise BadValue(plain(what), todo="say --yes if that is what you want")
    print(plain(f"{what}.\nLook that nobody is at it. Ctrl-C ends it and switches it off."), file=sys.stderr)
    print("Begin? (yes or no) ", end="", file=sys.stderr, flush=True)
    if sys.stdin.readline().strip().lower() not in ("y", "yes"):
        raise BadValue("nothing was done", todo="say yes, or give --yes")


async def _carried_out(arguments: argparse.Namespace, loaded: LoadedSite, asked: Asked) -> Trials:
    stop = asyncio.Event()
    async with working_api(loaded, state_folder(arguments, loaded)) as api:
        with _stopping(stop), ProgressLine(quiet=arguments.json) as line:

            def tell(progress: Progress) -> None:
                failed = f", {progress.failed} failed" if progress.failed else ""
                line.say(f"{progress.done} of {progress.cycles} cycles{failed}; {progress.text}")

            return await qualify(api, asked, origin=me(), stop=stop, tell=tell)


@contextlib.contextmanager
def _stopping(stop: asyncio.Event) -> Iterator[None]:
    """Ctrl-C and SIGTERM end the run in order; pressed again, at once."""
    loop = asyncio.get_running_loop()
    numbers: tuple[int, ...] = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.getsignal(number) for number in numbers}

    def ask(number: int, _: FrameType | None) -> None:
        signal.signal(number, before[number])
        loop.call_soon_threadsafe(stop.set)
        print("\nlinewarden: ending; the unit is being switched off ...", file=sys.stderr, flush=True)

    for number in before:
        signal.signal(number, ask)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
