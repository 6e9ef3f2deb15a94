"""What can be done with a burst on the bench: an action made of it, or its bytes sent."""

from __future__ import annotations

import asyncio
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from controller.records import Command
from profiles.bench.pictures import comparison_svg
from profiles.checking import check_text
from profiles.errors import BadValue
from profiles.library import list_profiles, own_folder
from profiles.storage import save_bytes
from tui.bench_drafting import BurstOfCapture, keep_capture, line_warning, write_draft
from tui.bench_model import Reader
from tui.capture_keeping import action_of, day_of
from tui.profile_draft import ProfileDraft
from tui.screens.bench_sheets import FileForm
from tui.screens.profile_adding import ProfileForm, free_name, name_problem
from tui.screens.profile_editor import may_drop
from tui.screens.profiles import Seen, begin_draft_in
from tui.screens.sheets import AskSheet, ChoiceSheet, told_local_only
from tui.telling import hexadecimal, outcome_words, plain

if TYPE_CHECKING:
    from tui.app import DashboardApp
    from tui.screens.bench_sight import BenchSight

__all__ = ["BenchOrders"]

_NEW = "\0new"


class BenchOrders:
    """Orders on the burst that is read.

    Args:
        app: the dashboard.
        bench: the screen.
    """

    def __init__(self, app: DashboardApp, bench: BenchSight) -> None:
        self._app = app
        self._bench = bench

    def _burst(self) -> tuple[Reader, BurstOfCapture] | None:
        """The burst, whole; what is in the way is said."""
        line, reader = self._bench.desk.line, self._bench.desk.reader
        if line is None or line.channel is None or reader is None or reader.byte is None:
            self._bench.say("wrong", "there is no burst here; o opens a capture")
            return None
        if self._bench.is_reading(line.capture):
            # What is seen now may not be what it becomes in a moment: nothing is done with that.
            self._bench.say("wrong", "it is just being read anew; ask again when that is done")
            return None
        reading = reader.shown
        capture = line.capture
        if reading is not reader.slots.reading and self._bench.desk.laid is not None:
            capture = self._bench.desk.laid.line.capture
        number, first, stop = reading.burst(reader.byte)
        data = reading.whole(first, stop)
        if data is None:
            self._bench.say(
                "wrong", f"burst {number + 1} did not come whole: capture it again, or give the settings (l)"
            )
            return None
        return reader, BurstOfCapture(data, capture.path, reading.channel.name, capture.options)

    # An action

    def draft(self) -> None:
        """Ask which profile, then what it is to be called."""
        if told_local_only(self._app, "Make this burst an action", "bench-draft"):
            return
        found = self._burst()
        if found is None:
            return
        reader, burst = found
        app = self._app
        choices = [(_NEW, "a new profile, with what was found of this line")]
        buses: dict[str, list[str]] = {}
        for bus in app.model.site.buses:
            buses.setdefault(bus.profile, []).append(bus.id)
        for key, names in buses.items():
            choices.append((key, f"{key}, which bus {', '.join(names)} uses"))
        if app.draft is not None and app.draft.key not in buses:
            choices.append((app.draft.key, f"{app.draft.key}, which is being edited"))

        def chosen(key: str | None) -> None:
            if key == _NEW:
                self._draft_new(burst)
            elif key is not None:
                app.work(lambda: self._draft_in(reader, burst, key), "a burst into the profile")

        words = f"{hexadecimal(burst.data[:24])}{' ...' if len(burst.data) > 24 else ''}"
        app.push_screen(ChoiceSheet("Make this burst an action of", choices, words), chosen)

    async def _draft_in(self, reader: Reader, burst: BurstOfCapture, key: str) -> None:
        app = self._app
        if app.draft is not None and app.draft.key == key:
            text, path = app.draft.text, app.draft.saved.path
        else:
            there = await app.api.profile(key)
            text, path = there.text, there.path
        checked = await asyncio.to_thread(check_text, text, path)
        warning = (
            line_warning(reader.shown, checked.profile.profile.line) if checked.profile is not None else ""
        )

        def keep(draft: ProfileDraft, action: str) -> tuple[str, str]:
            folder = Path(draft.saved.path).parent if draft.saved.writable else own_folder()
            return keep_capture(burst, folder, action)

        seen = Seen(burst.data, self._day(burst), self._note(burst), self._name(burst), warning, keep)
        begin_draft_in(app, key, "action", seen)

    def _day(self, burst: BurstOfCapture) -> dt.date:
        now = dt.datetime.fromtimestamp(self._app.utc()).astimezone().date()
        line = self._bench.desk.line
        raw = line.capture.capture if line is not None else None
        return day_of(burst.path, raw.started if raw is not None else "") or now

    @staticmethod
    def _note(burst: BurstOfCapture) -> str:
        return plain(f"read at the bench from {burst.path.name}")

    @staticmethod
    def _name(burst: BurstOfCapture) -> str:
        """What the capture's file says that it shows."""
        try:
            return action_of(burst.path)
        except BadValue:
            return "new-action"

    def _draft_new(self, burst: BurstOfCapture) -> None:
        app = self._app
        own = own_folder()

        async def ask() -> None:
            taken = {listed.source.name for listed in await asyncio.to_thread(list_profiles)}
            fields = [
                (
                    "profile",
                    "the profile's name",
                    free_name("new-profile", taken),
                    lambda text: name_problem(text, taken),
                ),
                ("title", "its title, as it is shown (may be empty)", "", lambda _text: ""),
                (
                    "action",
                    "the action's name",
                    self._name(burst),
                    lambda text: name_problem(text, ()),
                ),
            ]
            words = f"{hexadecimal(burst.data[:24])}\nIt is written to {own}; its capture is copied along."
            app.push_screen(ProfileForm("A new profile", fields, plain(words, lines=True)), given)

        def given(texts: dict[str, str] | None) -> None:
            if texts is not None:
                may_drop(app, lambda: app.work(lambda: write(texts), "write a draft profile"))

        async def write(texts: dict[str, str]) -> None:
            await asyncio.to_thread(
                write_draft, burst, own, texts["profile"], texts["title"], texts["action"]
            )
            draft = ProfileDraft(texts["profile"], await app.api.profile(texts["profile"]))
            draft.cursor = max(0, draft.text.find("[actions."))
            app.draft = draft
            app.action_show("profiles")

        app.work(ask, "a new profile")

    # The picture

    def keep_picture(self) -> None:
        """Ask for a file, and write both lines into it, one drawn over the other."""
        bench = self._bench
        line, laid = bench.desk.line, bench.desk.laid
        if line is None or line.channel is None or laid is None or laid.line.channel is None:
            bench.say("wrong", "lay another line over this one first (v): the picture has both")
            return
        original, replay, comparison = line.channel, laid.line.channel, laid.comparison

        def write(path: Path) -> Path:
            save_bytes(path, comparison_svg(original, replay, comparison).encode("utf-8"))
            return path

        def given(texts: dict[str, str] | None) -> None:
            if texts is None:
                return
            path = Path(texts["file"].strip()).expanduser()
            bench.begin(
                "picture",
                f"writing {path.name}",
                lambda _turn: write(path),
                lambda written: bench.say("well", f"both lines are drawn in {written}"),
                lambda why: bench.say("wrong", why),
            )

        fields = [("file", "file, ending in .svg", f"{line.capture.path.stem}.svg", _svg_problem)]
        self._app.push_screen(FileForm("Keep the picture", fields), given)

    # Sending

    def send(self) -> None:
        """Ask which bus, then whether; the gate has the last word."""
        if told_local_only(self._app, "Send this burst", "send"):
            return
        found = self._burst()
        if found is None:
            return
        _, burst = found
        buses = self._app.model.site.buses
        if not buses:
            self._bench.say(
                "wrong", "there is no bus to send on: open the dashboard with a site (linewarden dash)"
            )
        elif len(buses) == 1:
            self._ask(burst, buses[0].id)
        else:
            choices = [(bus.id, f"{bus.id}, {bus.baud:g} {bus.frame}, {bus.topology}") for bus in buses]

            def chosen(bus: str | None) -> None:
                if bus is not None:
                    self._ask(burst, bus)

            self._app.push_screen(
                ChoiceSheet("Send this burst on", choices, hexadecimal(burst.data[:24])), chosen
            )

    def _ask(self, burst: BurstOfCapture, bus: str) -> None:
        words = (
            f"{len(burst.data)} bytes: {hexadecimal(burst.data[:48])}{' ...' if len(burst.data) > 48 else ''}"
        )
        words += "\nRaw bytes may do anything to the gear; no profile stands between."

        def answered(yes: bool | None) -> None:
            if yes:
                self._send(burst, bus)

        self._app.push_screen(AskSheet(f"Send this burst on {bus}?", words), answered)

    def _send(self, burst: BurstOfCapture, bus: str) -> None:
        app, bench = self._app, self._bench
        command = Command(bus, "", origin=app.origin(), at=app.utc(), raw=burst.data)

        async def submit() -> None:
            outcome = await app.api.submit(command)
            bench.say("well" if outcome.result.good else "wrong", outcome_words(command, outcome))

        bench.say("quiet", f"sending on {bus} ...")
        app.work(submit, f"send {command.id[:8]}")


def _svg_problem(text: str) -> str:
    path = Path(text.strip()).expanduser()
    if path.suffix.lower() != ".svg":
        return "name a file that ends in .svg"
    return f"{path} is there already; name another" if path.exists() else ""
