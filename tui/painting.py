"""The units screen as lines of text. Pure: a picture of the site in, lines out.

Each bus is drawn as the line that it is, down the left edge, with its units hanging on it in the order of the
site; a ring's line comes back to the adapter, and one that is known to be broken is drawn broken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from controller.records import Alert, Known, LinkState, Reason, Result, StateValue
from tui.looks import Looks
from tui.model import BusSight, HallModel, UnitSight
from tui.telling import KNOWN_SYMBOLS, action_words, clock_time, plain, value_word

__all__ = [
    "Line",
    "Painted",
    "alert_lines",
    "detail_lines",
    "fit",
    "folded",
    "group_lines",
    "group_words",
    "hall_lines",
    "top_line",
]

_STATES_AT = 26
"""The column at which states begin, where the screen is wide enough."""


_NARROW = 40
"""Cells below which the time makes room for what is wrong."""
_JOINERS = dict.fromkeys((0x200B, 0x200C, 0x200D, 0x2060, 0xFE0E, 0xFE0F))
"""Signs without a width of their own (Unicode, chapters 23.2 and 23.4)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the screen."""

    text: Text
    unit: int | None = None
    """The unit that it is about."""
    power_at: tuple[int, int] | None = None
    """The cells that tell the unit's power: where a click switches it."""


def fit(text: str, width: int) -> str:
    """Text that is at most so many cells wide, with an ellipsis where it was cut.

    What joins or varies the signs beside it is left out: terminals do not agree on how wide those are then.
    """
    most = 8 * max(width, 0) + 64  # of a meaning as long as a whole delivery's, what can be seen is looked at
    return _fit(text[:most], width, len(text) > most)


@lru_cache(maxsize=4096)
def _fit(text: str, width: int, longer: bool) -> str:
    # Names are painted over and over, and those of many signs take long to measure.
    shown = plain(text).translate(_JOINERS)
    if cell_len(shown) <= width and not longer:
        return shown
    return set_cell_size(shown, max(0, width - 1)).rstrip() + "…" if width > 0 else ""


def _cut(text: Text, width: int) -> Text:
    """The last word on a line's width, for screens that are narrower than its fixed parts."""
    text.truncate(width, overflow="ellipsis")
    return text


def top_line(
    model: HallModel, now: float, width: int, looks: Looks, note: str = "", screen: str = ""
) -> Text:
    """What one has to know before all else: where this is, whether anything is wrong, and the time."""
    alerts, locks = len(model.alerts), len(model.locks)
    signs: list[tuple[str, str]] = []
    if note:
        signs.append((note, looks.wrong))
    if alerts:
        signs.append((f"! {alerts} alert{'s' * (alerts > 1)}", looks.wrong))
    if locks:
        signs.append((f"# {locks} lock{'s' * (locks > 1)}", looks.care))
    if not signs:
        signs.append(("all well", looks.well))
    right = Text("  ").join(Text(word, style) for word, style in signs)
    right.append(f"   {clock_time(now)[:8]} " if width >= _NARROW else " ", looks.quiet)
    named = f"{model.site.title}: {screen}" if screen else model.site.title
    if screen and cell_len(plain(named)) > width - right.cell_len - 2:
        named = screen
    title = Text().append(" " + fit(named, max(4, width - right.cell_len - 2)), looks.strong)
    title.append(" " * max(1, width - title.cell_len - right.cell_len))
    return _cut(title.append_text(right), width)


def alert_lines(
    alerts: Sequence[Alert], width: int, looks: Looks, most: int = 2, rows: int = 1
) -> list[Text]:
    """The newest alerts: what is wrong, since when, and what to look at first.

    Args:
        alerts: those that stand, newest first.
        width: cells.
        looks: the styles.
        most: how many are shown.
        rows: rows that each of an alert's two sentences may take.
    """
    lines = []
    for alert in alerts[:most]:
        since = f" since {clock_time(alert.since)[:8]}"
        head = Text().append(f" ! {fit(alert.target, max(14, width // 4))}  ", looks.wrong)
        first, *more = folded(alert.text, max(8, width - head.cell_len - len(since) - 1), rows)
        indent = " " * head.cell_len
        head.append(first, looks.wrong)
        head.append(" " * max(1, width - head.cell_len - len(since) - 1))
        lines.append(head.append(since, looks.quiet))
        lines += [Text(f"{indent}{line}", looks.wrong) for line in more]
        if alert.look_at:
            look_at = folded(f"look at {alert.look_at}", max(8, width - 4), rows)
            lines += [Text(f"   {line}", looks.quiet) for line in look_at]
    if len(alerts) > most:
        lines.append(Text(f"   and {len(alerts) - most} more", looks.quiet))
    return [_cut(line, width) for line in lines]


def folded(text: str, width: int, rows: int) -> list[str]:
    """Text over at most so many rows, broken between words; an ellipsis where it is longer."""
    lines = [""]
    words = plain(text).translate(_JOINERS).split()
    for place, word in enumerate(words):
        longer = f"{lines[-1]} {word}" if lines[-1] else word
        if cell_len(longer) <= width:
            lines[-1] = longer
        elif len(lines) < rows and lines[-1] and cell_len(word) <= width:
            lines.append(word)
        else:
            lines[-1] = fit(" ".join([lines[-1], *words[place:]]).strip(), width)
            break
    return lines


Painted = dict[str, tuple[tuple[BusSight, int, int | None, bool], list[Line]]]
"""The lines of each bus, and what they were made of."""


def hall_lines(
    buses: Sequence[BusSight],
    width: int,
    selected: int | None,
    looks: Looks,
    painted: Painted | None = None,
) -> list[Line]:
    """The buses, each with its units.

    Args:
        buses: what is shown.
        width: cells.
        selected: the unit that is selected, by its number.
        looks: the styles.
        painted: what was made the last time; a bus that is as it was then is taken from there. It is
            brought up to date.
    """
    before, now = {} if painted is None else painted, Painted()
    lines: list[Line] = []
    for bus in buses:
        own = selected if any(unit.number == selected for unit in bus.units) else None
        made_of = bus, width, own, looks.dark
        held = before.get(bus.view.id)
        if held is None or held[0] != made_of:
            made = [Line(_bus_line(bus, width, looks)), *_unit_lines(bus, width, own, looks)]
            for line in made:
                _cut(line.text, width)
            held = made_of, made
        now[bus.view.id] = held
        if lines:
            lines.append(Line(Text("")))
        lines += held[1]
    if not lines:
        nothing = " nothing here fits what you look for; esc shows all"
        lines.append(Line(_cut(Text(nothing, looks.quiet), width)))
    before.clear()
    before.update(now)
    return lines


def _bus_line(bus: BusSight, width: int, looks: Looks) -> Text:
    text = Text(" ")
    text.append(fit(bus.view.id, max(20, width // 3)), looks.strong)
    if bus.away:
        text.append(fit(f"  {bus.away}", width - text.cell_len - 1), looks.wrong)
        return text
    told = [_wiring(bus)]
    status = bus.status
    if status is None or status.link is LinkState.DOWN:
        why = f": {status.text}" if status is not None and status.text else ""
        text.append(fit(f"  adapter is not there{why}", width - text.cell_len - 1), looks.wrong)
        return text
    if bus.view.topology == "ring" and not _broken(bus):
        told.append(_answering(bus))
    if status.lag_ms is not None:
        told.append(f"lag {status.lag_ms:.1f} ms")
    if status.link is LinkState.LISTENING:
        told.append("listening only")
    style = looks.wrong if bus.alerts else looks.quiet
    text.append("  " + fit(", ".join(filter(None, told)), width - text.cell_len - 3), style)
    return text


def _wiring(bus: BusSight) -> str:
    match bus.view.topology:
        case "ring":
            return f"ring of {bus.view.units_expected}" if bus.view.units_expected else "ring"
        case "open":
            return "open line, nothing comes back"
        case "shared":
            return "shared line"
        case other:
            return other


def _answering(bus: BusSight) -> str:
    status = bus.status
    if status is None or status.units_answering is None:
        return ""
    expected = bus.view.units_expected
    if expected == status.units_answering:
        return "all answer"
    return f"{status.units_answering} answer"


def _broken(bus: BusSight) -> bool:
    """Whether the bus is known not to carry what is sent."""
    if bus.away:
        return False
    down = bus.status is None or bus.status.link is LinkState.DOWN
    return down or any(alert.id.startswith("chain-") for alert in bus.alerts)


def _unit_lines(bus: BusSight, width: int, selected: int | None, looks: Looks) -> list[Line]:
    ring = bus.view.topology == "ring"
    broken = _broken(bus)
    style = looks.wrong if broken else looks.line
    side = "╎" if broken else "│"
    if bus.away:
        # Neither whole nor broken: nobody can say.
        side, style = "┆", looks.quiet
    lines = []
    for place, unit in enumerate(bus.units):
        last = place == len(bus.units) - 1
        joint = "└" if last and not ring else "├"
        if broken or bus.away:
            joint = side
        head = Text(f" {joint}")
        head.stylize(style)
        picked = unit.number == selected
        head.append(f"{unit.number:>3} ", looks.selected if picked else looks.quiet)
        lines.append(_unit_line(unit, head, width, picked, looks))
        held = _held(unit, width, looks)
        if held is not None:
            under = Text().append(f" {side if ring or not last else ' '}", style)
            lines.append(Line(under.append_text(held), unit.number))
    if ring and not bus.away:
        end = " ╳ the ring is open" if broken else " └─ back to the adapter"
        lines.append(Line(Text(end, style)))
    return lines


def _unit_line(unit: UnitSight, head: Text, width: int, picked: bool, looks: Looks) -> Line:
    column = _STATES_AT if width >= 60 else min(_STATES_AT, width // 2)
    title = fit(unit.view.title, column - head.cell_len - 1)
    head.append(title, looks.selected if picked else looks.strong)
    head.append(" " * max(1, column - head.cell_len))
    power_at = None
    if not unit.states:
        head.append(fit("tells nothing of itself", width - head.cell_len), looks.quiet)
    words = [_state_text(name, state, looks, whole=True) for name, state in unit.states.items()]
    if sum(told.cell_len + 2 for told in words) > width - 1 - head.cell_len:
        words = [
            _state_text(name, state, looks, whole=name == "power") for name, state in unit.states.items()
        ]
    if words and head.cell_len + words[0].cell_len > width - 1:
        # On a screen this narrow what matters first is said without its name.
        name, state = next(iter(unit.states.items()))
        short = _state_text(name, state, looks, whole=False).plain.removeprefix(f"{name} ").split(",")[0]
        words[0] = Text().append(fit(short, width - 1 - head.cell_len), looks.known(state.known))
    for name, told in zip(unit.states, words, strict=True):
        if head.cell_len + told.cell_len > width - 1:
            head.append("…", looks.quiet)
            break
        if name == "power":
            power_at = (head.cell_len, head.cell_len + told.cell_len)
        head.append_text(told).append("  ")
    head.rstrip()
    return Line(head, unit.number, power_at)


def _state_text(name: str, state: StateValue, looks: Looks, *, whole: bool) -> Text:
    """A state: its name, its value, and how it is known as symbol and, where there is room, word."""
    style = looks.known(state.known)
    symbol = KNOWN_SYMBOLS[state.known]
    if state.known is Known.UNKNOWN:
        was = f", was {_value(name, state.last_known)}" if state.last_known is not None else ""
        return Text(f"{name} {symbol}{' unknown' if whole else ''}{was}", style)
    text = Text(f"{name} {_value(name, state.value)} ", style)
    return text.append(f"{symbol} {state.known.value}" if whole else symbol, style)


def _value(name: str, value: object) -> str:
    if name == "power" and isinstance(value, bool):
        return "on" if value else "off"
    return value_word(value) if isinstance(value, bool | int | float | str) else "-"


def _held(unit: UnitSight, width: int, looks: Looks) -> Text | None:
    if not unit.locks:
        return None
    lock = unit.locks[0]
    more = f" (and {len(unit.locks) - 1} more)" if len(unit.locks) > 1 else ""
    at = clock_time(lock.at, date=True)[:16]
    text = f"# locked by {lock.who} since {at}: {lock.why}{more}"
    return Text("     " + fit(text, width - 8), looks.care)


def detail_lines(unit: UnitSight | None, width: int, looks: Looks, rows: int = 1) -> list[Text]:
    """The selected unit: what it was last told, and what became of that.

    Args:
        unit: the unit; None where none is selected.
        width: cells.
        looks: the styles.
        rows: rows that the last command and its outcome may take.
    """
    if unit is None:
        return [_cut(Text(" type a unit's number, or use the arrow keys", looks.quiet), width), Text("")]
    head = Text().append(f" {unit.number} ", looks.selected)
    head.append(" " + fit(f"{unit.view.title}  ({unit.view.id}, {unit.view.role})", width - 8), looks.strong)
    return [_cut(line, width) for line in (head, *last_lines(unit, width, looks, rows))]


def group_words(name: str, units: Sequence[UnitSight]) -> str:
    """A group in a line: how many units it has, and how many of them are on, off, or nobody knows."""
    power = [unit.states["power"] for unit in units if "power" in unit.states]
    counts = (
        (sum(state.value is True for state in power), "on"),
        (sum(state.value is False for state in power), "off"),
        (sum(state.value is None for state in power), "unknown"),
    )
    told = ", ".join(f"{count} {word}" for count, word in counts if count)
    return plain(f"{name}  {len(units)} unit{'s' * (len(units) != 1)}{': ' + told if told else ''}")


def group_lines(name: str, units: Sequence[UnitSight], width: int, looks: Looks) -> list[Text]:
    """The group that is shown: how its units are, and who locks it."""
    head = Text(" ").append(fit(f"group {group_words(name, units)}", width - 2), looks.strong)
    locks = {lock.id: lock for unit in units for lock in unit.locks if lock.target == name}
    said = [f"locked by {lock.who}: {lock.why}" for lock in locks.values()]
    under = "; ".join(said) or "switched together: power amplifiers on last, off first"
    return [
        _cut(head, width),
        Text("    " + fit(under, width - 5), looks.care if said else looks.quiet),
    ]


def last_lines(unit: UnitSight, width: int, looks: Looks, rows: int = 1) -> list[Text]:
    """The last command to a unit and what became of it; where a lock refused it, since when that stands."""
    last = unit.last
    if last is None:
        return [Text("    nothing was commanded since this dashboard began", looks.quiet)]
    command, outcome = last.command, last.outcome
    words = action_words(command).removeprefix(command.unit).strip()
    if outcome is None:
        return [Text(fit(f"    {words}: under way ...", width - 1), looks.care)]
    reason = f" ({outcome.reason.value})" if outcome.reason else ""
    at = clock_time(outcome.at)[:8]
    look = f"; look at {outcome.look_at}" if outcome.result is Result.FAILED and outcome.look_at else ""
    text = f"{at} {words}: {outcome.result.value}{reason}. {outcome.text}{look}"
    if outcome.reason is Reason.LOCKED and unit.locks:
        text += f", since {clock_time(unit.locks[0].at, date=True)[:16]}"
    return [
        Text(f"    {line}", looks.result(outcome.result)) for line in folded(text, max(8, width - 5), rows)
    ]
