"""What can be put into a profile without knowing how it is written: asked for, then written into the text."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Collection, Mapping
from typing import TYPE_CHECKING

from profiles.checking import Checked
from profiles.errors import BadValue, LinewardenError
from profiles.model import Effect, ValueType
from profiles.storage import parse_toml
from tui.burst_drafting import action_block, evidence_block, observation_block, propose
from tui.parameters import read_value
from tui.profile_draft import ProfileDraft
from tui.profile_places import change_effect, insert_block, insert_parameter, part_at, value_text
from tui.screens.sheets import ChoiceSheet, TextForm
from tui.telling import plain

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = [
    "ProfileAdder",
    "ProfileForm",
    "bytes_problem",
    "free_name",
    "name_problem",
    "names_in",
    "value_spec",
]

_NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?")
_EFFECTS = (
    (Effect.ENERGISE, "it can switch something on, or make it louder or moving"),
    (Effect.DE_ENERGISE, "it switches off, stops, quietens"),
    (Effect.NEUTRAL, "neither"),
    (Effect.UNKNOWN, "not known yet; counts as energise"),
)


def names_in(text: str, kind: str) -> set[str]:
    """The names of a profile's actions or states; none where its text can't be read now."""
    try:
        table = parse_toml(text, "").get(kind, {})
    except LinewardenError:
        return set()
    return set(table) if isinstance(table, dict) else set()


def name_problem(text: str, taken: Collection[str]) -> str:
    """Why a text can't be a new name; empty where it can."""
    if not _NAME.fullmatch(text):
        return "a name has a to z, 0 to 9 and hyphens between them, such as power-on"
    return f"there is a {text} already" if text in taken else ""


def free_name(start: str, taken: Collection[str]) -> str:
    """``start``, or with the first number that makes it new."""
    number = 2
    name = start
    while name in taken:
        name, number = f"{start}-{number}", number + 1
    return name


def bytes_problem(text: str) -> str:
    """Why a text is no bytes; empty where it is."""
    try:
        return "" if bytes.fromhex(text) else "write at least one byte, such as A5 01"
    except ValueError:
        return "write hexadecimal digit pairs, such as A5 01"


def value_spec(kind: str, takes: str) -> dict[str, object]:
    """A parameter's or state's keys from what was typed.

    Args:
        kind: the type's name.
        takes: for numbers the least and the greatest, for an enum its values; may be empty for numbers.

    Raises:
        BadValue: it is no such thing.
    """
    if kind not in list(ValueType):
        raise BadValue(f"the types are {', '.join(ValueType)}")
    words = [word for word in re.split(r"\s*,\s*|\s+to\s+|\s+", takes.strip()) if word]
    if kind == ValueType.ENUM:
        if not words:
            raise BadValue("write what it can be, such as cd, tuner, tape")
        return {"type": kind, "values": words}
    if not words or kind in (ValueType.BOOLEAN, ValueType.TEXT):
        return {"type": kind}
    if len(words) != 2:
        raise BadValue("write the least and the greatest, such as 0 to 63")
    return {"type": kind, "range": [read_value("it", word, kind) for word in words]}


class ProfileForm(TextForm):
    """A form whose answers go into the text."""

    KEYS = "enter goes on, into the text    tab moves    esc leaves"


class ProfileAdder:
    """Asks what is to be put in, and puts it in.

    Args:
        app: the dashboard.
        draft: the text.
        checked: what became of the text as it stands.
        look_again: called when the text has changed.
    """

    def __init__(
        self, app: DashboardApp, draft: ProfileDraft, checked: Checked | None, look_again: Callable[[], None]
    ) -> None:
        self._app = app
        self._draft = draft
        self._profile = checked.profile if checked is not None else None
        self._look_again = look_again
        part = part_at(draft.text, draft.line)
        self._action = part.name if part.kind == "actions" else ""

    def begin(self) -> None:
        """Ask what."""
        choices = [("action", "an action: something that a unit can be told")]
        if self._action:
            choices += [
                ("parameter", f"a parameter of {self._action}: a value that it takes"),
                ("effect", f"what {self._action} does to the energy in the gear"),
            ]
        choices += [
            ("observation", "an observation: bytes that are heard, and what they tell"),
            ("state", "a state: a value of a unit that is shown"),
            ("evidence", "evidence: bytes that an action was seen as"),
        ]

        def chosen(what: str | None) -> None:
            if what is not None:
                getattr(self, f"_ask_{what}")()

        self._app.push_screen(ChoiceSheet("Put into the profile", choices), chosen)

    def _ask(
        self,
        head: str,
        fields: list[tuple[str, str, str, Callable[[str], str]]],
        put: Callable[[Mapping[str, str]], tuple[str, int]],
    ) -> None:
        def given(texts: dict[str, str] | None) -> None:
            if texts is None:
                return
            try:
                text, cursor = put(texts)
            except LinewardenError as error:
                self._app.notify(plain(str(error)), severity="error", markup=False)
                return
            self._draft.edit(text, cursor)
            self._look_again()

        self._app.push_screen(ProfileForm(head, fields), given)

    def _ask_action(self) -> None:
        taken = names_in(self._draft.text, "actions")

        def put(texts: Mapping[str, str]) -> tuple[str, int]:
            proposal = propose(self._profile, bytes.fromhex(texts["bytes"]))
            block = action_block(texts["name"], texts["title"], proposal)
            return insert_block(self._draft.text, "actions", block)

        fields = [
            ("name", "name, such as power-on", "", lambda text: name_problem(text, taken)),
            ("title", "title, as it is shown (may be empty)", "", _anything),
            ("bytes", "its bytes, such as A5 01", "", bytes_problem),
        ]
        self._ask("A new action", fields, put)

    def _ask_parameter(self) -> None:
        action = self._action

        def put(texts: Mapping[str, str]) -> tuple[str, int]:
            return insert_parameter(
                self._draft.text, action, texts["name"], value_spec(texts["type"], texts["takes"])
            )

        self._ask(f"A parameter of {action}", self._value_fields(()), put)

    def _ask_state(self) -> None:
        def put(texts: Mapping[str, str]) -> tuple[str, int]:
            spec = value_spec(texts["type"], texts["takes"])
            lines = [f"[states.{texts['name']}]", *(f"{key} = {value_text(v)}" for key, v in spec.items())]
            return insert_block(self._draft.text, "states", "\n".join(lines))

        self._ask("A new state", self._value_fields(names_in(self._draft.text, "states")), put)

    @staticmethod
    def _value_fields(taken: Collection[str]) -> list[tuple[str, str, str, Callable[[str], str]]]:
        def a_type(text: str) -> str:
            return "" if text in list(ValueType) else f"the types are {', '.join(ValueType)}"

        return [
            ("name", "name, such as level", "", lambda text: name_problem(text, taken)),
            ("type", ", ".join(ValueType), "integer", a_type),
            ("takes", "numbers: least and greatest, such as 0 to 63; enum: cd, tuner, tape", "", _anything),
        ]

    def _ask_observation(self) -> None:
        def put(texts: Mapping[str, str]) -> tuple[str, int]:
            data = bytes.fromhex(texts["bytes"])
            proposal = propose(self._profile, data, observed=True)
            block = observation_block(texts["title"], proposal, data, self._today, "written by hand")
            return insert_block(self._draft.text, "observations", block)

        fields = [
            ("title", "title, as it is shown", "", _anything),
            ("bytes", "bytes that were heard, such as A6 01", "", bytes_problem),
        ]
        self._ask("A new observation", fields, put)

    def _ask_evidence(self) -> None:
        known = names_in(self._draft.text, "actions")

        def there(text: str) -> str:
            return "" if text in known else f"the actions are {', '.join(sorted(known))}"

        def put(texts: Mapping[str, str]) -> tuple[str, int]:
            data = bytes.fromhex(texts["bytes"])
            address = self._address_in(texts["action"], data)
            block = evidence_block(texts["action"], address, data, self._today, texts["note"])
            return insert_block(self._draft.text, "evidence", block)

        fields = [
            ("action", "action", self._action, there),
            ("bytes", "its bytes as they were seen", "", bytes_problem),
            ("note", "where and how", "", _anything),
        ]
        self._ask("Evidence for an action", fields, put)

    def _address_in(self, action: str, data: bytes) -> int | None:
        found = self._profile.actions.get(action) if self._profile is not None else None
        reading = found.send.read(data) if found is not None else None
        return reading.address if reading is not None else None

    def _ask_effect(self) -> None:
        choices = [(effect.value, f"{effect.value}: {words}") for effect, words in _EFFECTS]

        def chosen(effect: str | None) -> None:
            if effect is None:
                return
            try:
                self._draft.edit(change_effect(self._draft.text, self._action, effect), self._draft.cursor)
            except LinewardenError as error:
                self._app.notify(plain(str(error)), severity="error", markup=False)
            self._look_again()

        self._app.push_screen(ChoiceSheet(f"What {self._action} does to the energy", choices), chosen)

    @property
    def _today(self) -> dt.date:
        return dt.datetime.fromtimestamp(self._app.utc()).astimezone().date()


def _anything(_text: str) -> str:
    return ""
