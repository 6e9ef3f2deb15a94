"""What a dashboard knows of a site's sequences and triggers: read once, then fed with records. Pure."""

from __future__ import annotations

from dataclasses import replace

from controller.api import ControllerApi
from controller.records import Record, SequenceProgress, TriggerStatus
from controller.sequences_records import Phase, SequenceView

__all__ = ["AutomationSight"]


class AutomationSight:
    """Sequences by name with how far each has come, and triggers by name."""

    def __init__(self) -> None:
        self.sequences: dict[str, SequenceView] = {}
        self.triggers: dict[str, TriggerStatus] = {}

    async def read(self, api: ControllerApi) -> None:
        """Read all of it anew."""
        self.sequences = {view.id: view for view in await api.sequences()}
        self.triggers = {status.trigger: status for status in await api.triggers()}

    def take(self, record: Record) -> None:
        """Take a record in; any but theirs is passed over."""
        match record:
            case SequenceProgress():
                view = self.sequences.get(record.sequence)
                if view is None or (record.phase is Phase.REFUSED and view.last and not view.last.phase.over):
                    return
                self.sequences[record.sequence] = replace(view, last=record)
            case TriggerStatus() if record.trigger in self.triggers:
                self.triggers[record.trigger] = record

    @property
    def going(self) -> list[tuple[SequenceView, SequenceProgress]]:
        """The sequences that are on their way."""
        return [
            (view, view.last)
            for view in self.sequences.values()
            if view.last is not None and not view.last.phase.over
        ]
