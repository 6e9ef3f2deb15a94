"""Sequences and triggers as lines of text. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from controller.records import SequenceProgress, TriggerStatus
from controller.sequences_records import Phase, SequenceView, StepProgress, StepResult
from tui.looks import Looks
from tui.painting import fit
from tui.telling import clock_time

__all__ = ["going_line", "sequence_line", "step_lines", "trigger_lines"]

_SIGNS = {
    StepResult.TO_COME: " ",
    StepResult.RUNNING: "▸",
    StepResult.DONE: "✓",
    StepResult.LEFT_OUT: "-",
    StepResult.FAILED: "✗",
    StepResult.CANCELLED: "×",
    StepResult.UNDONE: "↶",
}


def _step_style(result: StepResult, looks: Looks) -> str:
    return {
        StepResult.TO_COME: looks.quiet,
        StepResult.RUNNING: looks.strong,
        StepResult.DONE: looks.well,
        StepResult.LEFT_OUT: looks.quiet,
        StepResult.FAILED: looks.wrong,
        StepResult.CANCELLED: looks.care,
        StepResult.UNDONE: looks.care,
    }[result]


def _phase_style(phase: Phase, looks: Looks) -> str:
    if phase is Phase.DONE:
        return looks.well
    if phase in (Phase.FAILED, Phase.DONE_IN_PART, Phase.UNDONE):
        return looks.wrong
    return looks.care


def _at_step(progress: SequenceProgress) -> tuple[int, StepProgress | None]:
    """Which step is under way, counted from 1; 0 and None for none."""
    for number, step in enumerate(progress.steps, 1):
        if step.result is StepResult.RUNNING:
            return number, step
    return 0, None


def sequence_line(view: SequenceView, width: int, looks: Looks) -> Text:
    """One sequence: its name, and how far it has come."""
    text = Text(f" {fit(view.title, 24).ljust(25)}", looks.strong)
    last = view.last
    if last is None:
        text.append(fit(f"works on {', '.join(view.buses)}", width - 26), looks.quiet)
        return text
    text.append(f"{last.direction} ", looks.quiet)
    text.append(last.phase.value.replace("-", " "), _phase_style(last.phase, looks))
    number, step = _at_step(last)
    if step is not None:
        rest = f"  {number} of {len(last.steps)}: {step.words}"
    else:
        rest = f"  {clock_time(last.at)[:8]}, begun by {last.by}"
    text.append(fit(rest, max(0, width - text.cell_len)), looks.quiet)
    return text


def step_lines(view: SequenceView, width: int, looks: Looks) -> list[Text]:
    """The steps of a sequence: those of its run, or those of both ways where it has not been begun."""
    lines: list[Text] = []
    last = view.last
    if last is not None and last.steps:
        lines.append(Text(f" {last.direction}, begun by {fit(last.by, width - 16)}", looks.quiet))
        lines += [_step(step, width, looks) for step in last.steps]
    else:
        for way, steps in (("up", view.up), ("down", view.down)):
            lines.append(Text(f" {way}", looks.quiet))
            lines += [_step(StepProgress(words), width, looks) for words in steps]
    if last is not None and last.text:
        style = _phase_style(last.phase, looks)
        lines.append(Text(f" {fit(f'{last.phase.value}: {last.text}', width - 2)}", style))
    lines += [Text(f" ! {fit(warning, width - 4)}", looks.care) for warning in view.warnings]
    if view.asks:
        lines.append(Text(f" asks first: {fit(', '.join(view.asks), width - 14)}", looks.quiet))
    return lines


def _step(step: StepProgress, width: int, looks: Looks) -> Text:
    style = _step_style(step.result, looks)
    text = Text(f"  {_SIGNS[step.result]} ", style)
    text.append(fit(step.words, width - 6), style)
    if step.text:
        text.append(fit(f"  {step.text}", max(0, width - text.cell_len - 1)), style)
    return text


def trigger_lines(triggers: Sequence[TriggerStatus], width: int, looks: Looks) -> list[Text]:
    """Each trigger in two lines: what it waits for and does, and what it last did or is about to do."""
    lines: list[Text] = []
    for status in triggers:
        sign = {True: "●", False: "○", None: " "}[status.level]
        head = Text(f" {sign} ", looks.well if status.level else looks.quiet)
        head.append(fit(status.title, 26).ljust(28), looks.strong)
        head.append(fit(f"{status.waits_for}: {status.does}", width - head.cell_len - 1), looks.quiet)
        lines.append(head)
        if status.pending and status.due is not None:
            words = f"{clock_time(status.due)[:8]} {status.pending}, unless it changes before"
            lines.append(Text(f"     {fit(words, width - 6)}", looks.care))
        elif status.at is not None:
            lines.append(
                Text(f"     {clock_time(status.at)[:8]} {fit(status.last, width - 15)}", looks.quiet)
            )
    return lines


def going_line(going: Sequence[tuple[SequenceView, SequenceProgress]], width: int, looks: Looks) -> Text:
    """The sequence that is on its way, in one line; empty where none is."""
    if not going:
        return Text("")
    view, progress = going[0]
    number, step = _at_step(progress)
    where = f"{number} of {len(progress.steps)}: {step.words}" if step is not None else progress.phase.value
    more = f" (and {len(going) - 1} more)" if len(going) > 1 else ""
    words = f" ▸ {view.title} {progress.direction}: {where}{more}"
    return Text(fit(f"{words}   F8 shows it", width - 1), looks.care)
