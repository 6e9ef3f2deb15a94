"""The sequences, step by step while they go, and the triggers: what each waits for and last did."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from controller.sequences_records import SequenceView
from tui.automation_painting import sequence_line, step_lines, trigger_lines
from tui.painting import fit
from tui.screens.main_screen import MainScreen
from tui.screens.sequence_orders import SequenceOrders
from tui.widgets.choice_list import ChoiceList

__all__ = ["SequencesScreen"]


class SequencesScreen(MainScreen):
    """All sequences of the site, and its triggers."""

    EXPLANATION = """\
A sequence brings a hall up step by step, power amplifiers last, and takes it down in reverse. One works on a
bus at a time; going down passes what comes up, and everything off cancels it.

  up, down   another sequence
  o          start: up
  f          stop: down
  c          cancel it where it is; what was done stays as it is
  X, F9      everything off
  F2, esc    back to the units

  ▸ under way   ✓ done   - left out   ✗ failed   × cancelled   ↶ undone

A trigger starts something by itself when what it waits for changes; how things stand at the start is only
shown:

  ● so it is now   ○ not so now"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("o", "start", "start"),
        Binding("f", "stop", "stop"),
        Binding("c", "cancel", "cancel"),
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "app.units", "units"),
    ]

    def __init__(self) -> None:
        super().__init__(name="sequences")

    def compose(self) -> ComposeResult:
        """The sequences, the steps of the chosen one, the triggers."""
        yield Static("", id="top", markup=False)
        yield ChoiceList(id="sequence-list")
        with VerticalScroll(id="steps", can_focus=False):
            yield Static("", id="step-lines", markup=False)
        yield Static("", id="trigger-lines", markup=False)
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Read what there is."""
        self.query_one(OptionList).focus()
        self.look_again()

        async def read() -> None:
            await self.dashboard.automation.read(self.dashboard.api)
            self.look_again()

        self.dashboard.work(read, "sequences")

    def on_resize(self, _event: events.Resize) -> None:
        """Lines are cut to the width."""
        self.look_again()

    @property
    def chosen(self) -> SequenceView | None:
        """The sequence that the keys are for."""
        views = list(self.dashboard.automation.sequences.values())
        place = self.query_one(OptionList).highlighted or 0
        return views[place] if place < len(views) else None

    def look_again(self) -> None:
        """Paint what is known now."""
        if not self.is_mounted:
            return
        looks, width = self.looks, self.width
        self.query_one("#top", Static).update(self.top("Sequences"))
        self._list(list(self.dashboard.automation.sequences.values()))
        triggers = trigger_lines(list(self.dashboard.automation.triggers.values()), width, looks)
        if not triggers:
            why = self.dashboard.local_only("triggers") or "this site has no triggers"
            triggers = [Text(f" {fit(why, width - 2)}", looks.quiet)]
        self.query_one("#trigger-lines", Static).update(Text("\n").join(triggers))
        self._steps()
        words = [("o", "start"), ("f", "stop"), ("c", "cancel"), ("X", "everything off"), ("?", "help")]
        self.query_one("#keys", Static).update(self.keys(words))

    def _list(self, views: list[SequenceView]) -> None:
        entries = self.query_one(OptionList)
        lines = [sequence_line(view, self.width - 3, self.looks) for view in views]
        if len(lines) != entries.option_count or not views:
            entries.clear_options()
            entries.add_options(
                [Option(line, id=view.id) for line, view in zip(lines, views, strict=True)]
                or [
                    Option(
                        Text("this site has no sequences; docs/triggers.md", self.looks.quiet), disabled=True
                    )
                ]
            )
            if views:
                entries.highlighted = 0
            return
        for place, line in enumerate(lines):
            entries.replace_option_prompt_at_index(place, line)

    def _steps(self) -> None:
        view = self.chosen
        lines = [] if view is None else step_lines(view, self.width - 1, self.looks)
        self.query_one("#step-lines", Static).update(Text("\n").join(lines))

    def on_option_list_option_highlighted(self) -> None:
        """Another one: its steps."""
        self._steps()

    # Doing

    def action_start(self) -> None:
        """Bring it up."""
        if (view := self.chosen) is not None:
            SequenceOrders(self.dashboard).start(view)

    def action_stop(self) -> None:
        """Take it down."""
        if (view := self.chosen) is not None:
            SequenceOrders(self.dashboard).stop(view)

    def action_cancel(self) -> None:
        """Let it go no further."""
        if (view := self.chosen) is not None:
            SequenceOrders(self.dashboard).cancel(view)
