"""Saving a profile: checked, shown, and never over what somebody else has saved unseen."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING

from controller.bus_setup import port_differs
from profiles.checking import check_text
from profiles.errors import LinewardenError, RevisionMoved
from tui.profile_draft import Moved, ProfileDraft
from tui.screens.profile_sheets import DifferenceSheet, MovedSheet
from tui.telling import plain

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["ProfileSaver"]


class ProfileSaver:
    """Takes a draft to its file.

    Args:
        app: the dashboard.
        draft: what is to be saved.
        look_again: called when something about the draft has changed.
    """

    def __init__(self, app: DashboardApp, draft: ProfileDraft, look_again: Callable[[], None]) -> None:
        self._app = app
        self._draft = draft
        self._look_again = look_again

    def begin(self) -> None:
        """Check the text, then show what saving would change."""
        self._app.work(self._begin, f"save {self._draft.key}")

    async def _begin(self) -> None:
        draft = self._draft
        if not draft.changed:
            self._app.notify("nothing has changed: there is nothing to save", timeout=4)
            return
        text = draft.text
        checked = await asyncio.to_thread(check_text, text, draft.saved.path)
        if checked.errors:
            first = checked.errors[0]
            count = len(checked.errors)
            self._app.notify(
                plain(f"line {first.line}: {first.what}; {first.todo}".rstrip("; ")),
                title=f"{count} fault{'s' * (count > 1)}: nothing was saved (ctrl+g goes to each)",
                severity="error",
                markup=False,
            )
            return
        lines = await asyncio.to_thread(draft.difference)

        def answered(yes: bool | None) -> None:
            if yes:
                self._app.work(self._put, f"save {draft.key}")

        before = await asyncio.to_thread(check_text, draft.base, draft.saved.path)
        reopens = (
            checked.profile is not None
            and before.profile is not None
            and port_differs(before.profile.line, checked.profile.line)
        )
        sheet = DifferenceSheet(f"Save {draft.saved.name}?", self._what_it_means(reopens=reopens), lines)
        self._app.push_screen(sheet, answered)

    def _what_it_means(self, *, reopens: bool) -> str:
        draft = self._draft
        words = []
        if draft.becomes_own:
            words.append(
                "This profile came with Linewarden and is never changed: saving makes one of your own of the "
                "same name, in your configuration folder, which takes its place."
            )
        else:
            words.append(
                f"It is {draft.saved.path}; the version before is kept beside it, its name with a ~."
            )
        if draft.mixed_ends:
            words.append("Its line ends are of several kinds; saving makes them alike.")
        if buses := self._buses:
            takes = "takes" if len(buses) == 1 else "take"
            words.append(f"Bus {', '.join(buses)} {takes} it at once; nothing is sent.")
            if reopens:
                words.append(
                    "The line settings differ: the port is opened anew, and until it is there again every"
                    " state of its units is unknown and commands fail."
                )
        return " ".join(words)

    @property
    def _buses(self) -> list[str]:
        return [bus.id for bus in self._app.model.site.buses if bus.profile == self._draft.key]

    async def _put(self) -> None:
        draft, app = self._draft, self._app
        text = draft.text
        try:
            saved = await app.api.put_profile(draft.key, draft.file_text, draft.saved.revision)
        except RevisionMoved:
            await self._moved()
            return
        draft.was_saved(saved)
        told = f"{saved.name} is saved as {saved.path}"
        if buses := self._buses:
            told += f"; {', '.join(buses)} goes by it now, and nothing was sent"
        app.notify(plain(told), markup=False, timeout=8)
        if draft.text != text:
            app.notify("what was typed meanwhile is not saved yet", severity="warning")
        self._look_again()

    async def _moved(self) -> None:
        draft, app = self._draft, self._app
        theirs = await app.api.profile(draft.key)
        moved = Moved(draft.base, draft.text, theirs)

        def decided(what: str | None) -> None:
            try:
                if what == "theirs":
                    draft.takes_theirs(theirs)
                elif what == "mine":
                    draft.stays_over(theirs)
                    app.work(self._put, f"save {draft.key}")
            except LinewardenError as error:
                app.notify(plain(str(error)), severity="error", markup=False)
            self._look_again()

        app.push_screen(MovedSheet(draft.saved.name, moved), decided)
