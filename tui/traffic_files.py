"""Traffic into files: sayings exported, a bus recorded. The sheets that ask for a name, and the files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from controller.recording import Recorder
from controller.records import Traffic
from profiles.errors import LinewardenError
from tui.exporting import export_sayings
from tui.screens.sheets import TextForm
from tui.telling import plain

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["TrafficFiles"]


class TrafficFiles:
    """What a dashboard writes of its traffic.

    Args:
        app: the dashboard.
    """

    def __init__(self, app: DashboardApp) -> None:
        self._app = app
        self._recorder: Recorder | None = None
        self._bus = ""

    @property
    def recording(self) -> int | None:
        """Records written so far; None while nothing is recorded."""
        return self._recorder.count if self._recorder is not None else None

    def add(self, record: Traffic) -> None:
        """Write a record, if its bus is recorded; a file that takes no more ends the recording."""
        if self._recorder is None or record.bus != self._bus:
            return
        try:
            self._recorder.add(record)
        except LinewardenError as error:
            self.end()
            self._app.notify(plain(f"the recording ended: {error}"), severity="error", markup=False)

    def end(self) -> None:
        """End the recording, if there is one."""
        recorder, self._recorder = self._recorder, None
        if recorder is not None:
            recorder.__exit__(None, None, None)
            self._app.notify(f"{recorder.count:,} records written")

    def ask_what_to_record(self, bus: str) -> None:
        """Ask for a bus and a file, and begin."""
        app = self._app
        buses = [each.id for each in app.model.site.buses]

        def known(text: str) -> str:
            return "" if text in buses else f"the buses are {', '.join(buses)}"

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                path = Path(texts["file"]).expanduser()
                app.work(lambda: self._begin(texts["bus"], path), "record")

        fields = [("bus", "bus", bus or buses[0], known), ("file", "file", "traffic.jsonl", _must_name)]
        app.push_screen(TextForm("Record a bus", fields), given)

    async def _begin(self, bus: str, path: Path) -> None:
        from profiles.checking import load_profile

        view = next(each for each in self._app.model.site.buses if each.id == bus)
        text = await self._app.api.profile(view.profile)
        self._recorder = Recorder(path, bus, load_profile(text.text, text.path).profile).__enter__()
        self._bus = bus
        self._app.notify(f"recording {bus} to {path}; r ends it", markup=False)

    def ask_where_to_export(self, rows: Sequence[int]) -> None:
        """Ask for a file, and write these rows of the store into it."""
        app = self._app

        def given(texts: dict[str, str] | None) -> None:
            if texts is None:
                return
            path = Path(texts["file"]).expanduser()
            try:
                count = export_sayings(path, (app.traffic[row] for row in rows))
            except LinewardenError as error:
                app.notify(plain(str(error)), severity="error", markup=False)
            else:
                app.notify(f"{count:,} sayings are in {path}", markup=False)

        fields = [("file", "file (.csv, or .jsonl for JSON lines)", "traffic.csv", _must_name)]
        app.push_screen(TextForm(f"Export {len(rows):,} sayings", fields), given)


def _must_name(text: str) -> str:
    return "" if text.strip() else "name a file"
