"""Sheets that lie over a screen: a question, a form, a list. Escape always leaves without doing anything."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, ClassVar, Generic, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from controller.api import ActionView
from profiles.errors import BadValue
from profiles.model import Value
from tui.parameters import read_value
from tui.telling import plain, sentence, value_word
from tui.widgets.choice_list import ChoiceList

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = [
    "ActionForm",
    "AskSheet",
    "ChoiceSheet",
    "TellSheet",
    "TextForm",
    "describe_parameter",
    "told_local_only",
]

R = TypeVar("R")
Spec = Mapping[str, Value | list[Value] | None]


class _Sheet(ModalScreen[R | None], Generic[R]):
    """The common part: a heading, a text, and the way out."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave")]

    def __init__(self, head: str, text: str = "") -> None:
        super().__init__(classes="sheet")
        self._head = plain(head)
        self._text = text

    def compose(self) -> ComposeResult:
        """A heading, a text, what the sheet is about, and a word on the keys."""
        with Vertical():
            yield Static(self._head, classes="head", markup=False)
            if self._text:
                yield Static(self._text, classes="quiet", markup=False)
            yield from self.inside()

    def inside(self) -> ComposeResult:
        """What the sheet is about."""
        yield from ()

    def action_leave(self) -> None:
        """Do nothing."""
        self.dismiss(None)


class AskSheet(_Sheet[bool]):
    """A question that only ``y`` says yes to."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "yes", "yes"),
        Binding("n", "leave", "no"),
    ]

    def inside(self) -> ComposeResult:
        """The keys."""
        yield Static("y yes    n or esc no", classes="quiet", markup=False)

    def action_yes(self) -> None:
        """Yes."""
        self.dismiss(True)


class TellSheet(_Sheet[None]):
    """Something that is told, until it has been read."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter,space", "leave", "understood")]

    def inside(self) -> ComposeResult:
        """The keys."""
        yield Static("enter: understood", classes="quiet", markup=False)


def told_local_only(app: DashboardApp, head: str, what: str) -> bool:
    """Say that something can't be done from here, with the reason, where that is so."""
    why = app.local_only(what)
    if why:
        app.push_screen(TellSheet(head, f"Local only. {sentence(why)}"))
    return bool(why)


class ChoiceSheet(_Sheet[str]):
    """A list to choose one thing from."""

    def __init__(self, head: str, choices: Sequence[tuple[str, str]], text: str = "") -> None:
        super().__init__(head, text)
        self._choices = choices

    def inside(self) -> ComposeResult:
        """The list."""
        from rich.text import Text

        yield ChoiceList(*(Option(Text(plain(words)), id=name) for name, words in self._choices))
        yield Static("enter chooses    esc leaves", classes="quiet", markup=False)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """This one."""
        self.dismiss(event.option.id)


class TextForm(_Sheet[dict[str, str]]):
    """Some lines of text; each may be checked as it is typed.

    Args:
        head: the heading.
        fields: (name, label, value, check): the check gives what is wrong with a text, or an empty text.
        text: said above the fields.
    """

    KEYS: ClassVar[str] = "enter goes on and sends    tab moves    esc leaves"

    def __init__(
        self, head: str, fields: Sequence[tuple[str, str, str, Callable[[str], str]]], text: str = ""
    ) -> None:
        super().__init__(head, text)
        self._fields = fields

    def inside(self) -> ComposeResult:
        """A label, a line and its fault for each field."""
        with VerticalScroll(can_focus=False):
            for name, label, value, _ in self._fields:
                yield Static(label, classes="quiet", markup=False)
                yield Input(value, id=f"field-{name}")
        yield Static("", id="wrong", classes="wrong", markup=False)
        yield Static(self.KEYS, classes="quiet", markup=False)

    def on_mount(self) -> None:
        """The first line has the cursor."""
        self.query(Input).first().focus()

    def on_input_changed(self) -> None:
        """Say what is wrong as it is typed."""
        self._check(empty_too=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """On to the next line; behind the last one, done if all is well."""
        inputs = list(self.query(Input))
        place = inputs.index(event.input)
        if place < len(inputs) - 1:
            inputs[place + 1].focus()
        elif self._check(empty_too=True):
            self.dismiss(self.values)

    @property
    def values(self) -> dict[str, str]:
        """What is written."""
        return {name: self.query_one(f"#field-{name}", Input).value for name, *_ in self._fields}

    def _check(self, *, empty_too: bool) -> bool:
        values = self.values
        for name, _, _, check in self._fields:
            wrong = check(values[name]) if values[name] or empty_too else ""
            if wrong:
                self.query_one("#wrong", Static).update(plain(wrong))
                return False
        self.query_one("#wrong", Static).update("")
        return True


def describe_parameter(name: str, spec: Spec) -> str:
    """What a parameter takes, in a line."""
    limits, values, unit = spec.get("range"), spec.get("values"), spec.get("unit")
    if isinstance(values, list):
        takes = ", ".join(value_word(value) for value in values)
    elif isinstance(limits, list) and len(limits) == 2:
        takes = f"{limits[0]:g} to {limits[1]:g}{f' {unit}' if unit else ''}"
    else:
        kind = str(spec.get("type"))
        takes = {"boolean": "true or false", "duration": "seconds, or such as 1m30s"}.get(kind, kind)
    return plain(f"{spec.get('title') or name}: {takes}")


class ActionForm(TextForm):
    """An action's parameters."""

    def __init__(self, unit_title: str, action: ActionView) -> None:
        self._action = action
        fields = []
        for name, spec in action.parameters.items():
            default = spec.get("default")
            given = "" if default is None or isinstance(default, list) else value_word(default)
            fields.append((name, describe_parameter(name, spec), given, _checker(name, spec)))
        super().__init__(f"{unit_title}: {action.title}", fields)

    @property
    def parameters(self) -> dict[str, Value]:
        """The values, each in its type."""
        return parameters_of(self._action, self.values)


def parameters_of(action: ActionView, texts: Mapping[str, str]) -> dict[str, Value]:
    """A form's texts as an action's parameters.

    Raises:
        BadValue: a text is no value of its type.
    """
    return {
        name: read_value(name, text, str(action.parameters[name].get("type"))) for name, text in texts.items()
    }


def _checker(name: str, spec: Spec) -> Callable[[str], str]:
    def check(text: str) -> str:
        try:
            value = read_value(name, text, str(spec.get("type")))
        except BadValue as error:
            return str(error)
        return value_problem(name, value, spec)

    return check


def value_problem(name: str, value: Value, spec: Spec) -> str:
    """Why a value can't be this, or an empty text; the gate judges again."""
    limits, values = spec.get("range"), spec.get("values")
    if isinstance(values, list) and value not in values:
        return f"{name} must be one of {', '.join(value_word(each) for each in values)}"
    if isinstance(limits, list) and isinstance(value, int | float) and not isinstance(value, bool):
        low, high = (float(str(limit)) for limit in limits)
        if not low <= value <= high:
            return f"{name} must be from {low:g} to {high:g}"
    return ""
