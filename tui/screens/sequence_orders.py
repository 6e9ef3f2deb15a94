"""What a person does to a sequence, from whatever screen: start it, stop it, cancel it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller.sequences_records import Phase, SequenceOrder, SequenceView
from tui.screens.sheets import AskSheet
from tui.telling import plain

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["SequenceOrders"]


class SequenceOrders:
    """Gives sequences their orders.

    Args:
        app: the dashboard.
    """

    def __init__(self, app: DashboardApp) -> None:
        self._app = app

    def start(self, view: SequenceView) -> None:
        """Bring it up; ask first where a unit wants it."""
        if not view.asks:
            self._order(view, SequenceOrder.UP)
            return

        def answered(yes: bool | None) -> None:
            if yes:
                self._order(view, SequenceOrder.UP, agreed=True)

        units = ", ".join(view.asks)
        self._app.push_screen(AskSheet(f"{view.title}: start?", plain(f"It energises {units}.")), answered)

    def stop(self, view: SequenceView) -> None:
        """Take it down; that asks nobody."""
        self._order(view, SequenceOrder.DOWN)

    def cancel(self, view: SequenceView) -> None:
        """Let it go no further."""
        self._order(view, SequenceOrder.CANCEL)

    def _order(self, view: SequenceView, order: SequenceOrder, *, agreed: bool = False) -> None:
        app = self._app

        async def give() -> None:
            progress = await app.api.sequence(view.id, order, app.origin(), agreed)
            if progress.phase is Phase.REFUSED:
                app.notify(plain(f"{view.title}: {progress.text}"), severity="warning", markup=False)

        app.work(give, f"sequence {view.id}")
