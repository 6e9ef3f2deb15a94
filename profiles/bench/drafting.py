"""From findings to a draft profile: its text, with the evidence for each action.

Everything that only a person can know stands in the draft as a comment that asks for it; what the captures
show stands there with its reason. The draft is checked as any profile is before anybody sees it.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from profiles.bench.alignment import ColumnKind, Span
from profiles.bench.check_search import FoundCheck
from profiles.bench.findings import ActionFinding, Findings, Value
from profiles.bench.pressing import Addressing
from profiles.bench.samples import LearnedLine, Sample
from profiles.checking import check_text
from profiles.errors import Fault, FileFaults

__all__ = ["Draft", "Kept", "draft_profile"]

_LONGEST_LINE = 100
_USUAL_GAP_MS = 40.0


@dataclass(frozen=True, slots=True)
class Kept:
    """Where a capture is kept, for the evidence."""

    name: str
    """Its file, relative to the profile."""
    taken: dt.date | None


@dataclass(frozen=True, slots=True)
class Draft:
    """A profile's text, and what its check says."""

    text: str
    notes: tuple[Fault, ...]
    """Worth knowing, and no fault."""


def draft_profile(
    findings: Findings,
    *,
    name: str,
    title: str,
    confirm: str | None,
    kept: Mapping[str, Kept],
    file: str,
) -> Draft:
    """Write the draft.

    Args:
        findings: what was learned.
        name: the profile's name, a Homie id.
        title: its title.
        confirm: how commands are confirmed; None for what the captures show.
        kept: for each capture's path where it is kept.
        file: the profile's file name, for errors.

    Raises:
        FileFaults: what was learned makes no valid profile; says why.
    """
    captures = sum(len(action.samples) for action in findings.actions)
    blocks = [
        _head(name, title, captures),
        _line_block(findings.line),
        _confirm_block(confirm, findings.line),
        *_address_block(findings.addressing),
        *(_check_comment(check) for check in findings.checks),
        *(_action_block(action, findings.addressing) for action in findings.actions),
        *(
            _evidence_block(action, sample, data, kept[str(sample.source.path)], findings.addressing)
            for action in findings.actions
            for sample in action.samples
            if (data := _evidence_of(action, sample)) is not None
        ),
    ]
    text = "\n".join(blocks)
    checked = check_text(text, file)
    if checked.errors:
        raise FileFaults(checked.errors)
    return Draft(text, checked.faults)


def _head(name: str, title: str, captures: int) -> str:
    return (
        f"# A draft, learned from {captures} capture{'s' * (captures != 1)}. "
        "What a person has to say is marked SET.\n"
        f"schema = 1\nname = {_text(name)}\ntitle = {_text(title)}\n"
    )


def _line_block(line: LearnedLine) -> str:
    measured = ""
    if line.baud_measured is not None:
        error = f" +- {line.baud_error:.2g}" if line.baud_error is not None and line.baud_error < 1e6 else ""
        measured = f"measured {line.baud_measured:.6g}{error}"
    order = line.bit_order.value if line.bit_order is not None else "lsb"
    gap = max(line.gap * 1000, min(_USUAL_GAP_MS, (line.least_between or 1.0) * 500))
    dead_bits = line.dead_time * line.baud
    rows = [
        ("baud", f"{line.baud:g}", measured),
        ("frame", _text(str(line.frame)), ""),
        ("bit_order", _text(order), "" if line.bit_order else "not told by the captures: a UART sends it so"),
        ("idle", _text("high" if line.idle_high else "low"), ""),
        ("burst_gap_ms", f"{gap:.1f}", ""),
    ]
    if dead_bits > 0.5:
        longest = f"{line.longest_dead_time * 1000:.3g} ms"
        rows.append(
            ("dead_time_ms", f"{int(line.dead_time * 1e6) / 1000}", f"the least seen; the longest {longest}")
        )
    return "[line]\n" + "".join(_row(*row) for row in rows)


def _row(key: str, value: str, comment: str = "") -> str:
    row = f"{key} = {value}"
    return f"{row:<24}# {comment}\n" if comment else f"{row}\n"


def _confirm_block(confirm: str | None, line: LearnedLine) -> str:
    reason = "as asked for"
    if confirm is None:
        confirm = "loop" if line.looped else "none"
        reason = "the captures show the message coming back round a ring"
        if not line.looped:
            reason = "SET: loop where frames come back round a ring, local on a shared wire, reply"
    return f"[confirm]\nmethod = {_text(confirm)}         # {reason}\n"


def _address_block(addressing: Addressing | None) -> list[str]:
    if addressing is None:
        return []
    numbers = sorted((addressing.address(unit), unit) for unit in addressing.numbers)
    seen = _one_line(", ".join(f"{unit} is {number}" for number, unit in numbers))
    limits = f"[{numbers[0][0]}, {numbers[-1][0]}]"
    return ["[address]\n" + _row("range", limits, f"{seen}; SET the whole range")]


def _check_comment(check: FoundCheck) -> str:
    fits = f"{check.messages} distinct message{'s' * (check.messages != 1)}"
    lines = [f"# Check: {check.text}. Fits {fits}; by chance in {_odds(check.chance)}."]
    if check.others:
        lines.append("# These messages would also fit:")
        lines += [f"#   {other}" for other in check.others]
    return "\n".join(lines) + "\n"


def _odds(chance: float) -> str:
    return f"1 of {1 / chance:,.0f}" if chance > 1e-9 else "less than 1 of a thousand million"


def _action_block(action: ActionFinding, addressing: Addressing | None) -> str:
    lines = [f"[actions.{action.name}]", f"title = {_text(action.name.replace('-', ' ').capitalize())}"]
    lines.append(
        'effect = "unknown"      # SET: energise, de-energise or neutral; unknown counts as energise'
    )
    lines.append("repeatable = false      # SET true once it is known to be no toggle and no step")
    if action.repeat > 1:
        lines.append(f"repeat = {action.repeat}")
        lines.append(f"repeat_pause_ms = {action.repeat_pause * 1000:.1f}")
    told: set[str] = set()
    for value in action.values:
        if value.name in told or _is_counter(value.span):
            continue
        told.add(value.name)
        lines.append(_parameter(value.name, value.span))
    lines.append(f"send = {_items_text(_items(action, addressing))}")
    comments = [*_comments(action), *action.notes]
    return "\n".join([*lines[:1], *(f"# {_one_line(comment)}" for comment in comments), *lines[1:]]) + "\n"


def _is_counter(span: Span) -> bool:
    """Whether the profile can count it by itself."""
    return span.kind is ColumnKind.COUNTING or (span.kind is ColumnKind.TOGGLING and span.wrap == 2)


def _limits(span: Span) -> tuple[int, int]:
    return min(span.numbers), max(span.numbers)


def _choices(span: Span) -> list[int]:
    """A toggle's two numbers, the one seen first as 0."""
    return list(dict.fromkeys(span.numbers))


def _parameter(name: str, span: Span) -> str:
    if span.kind is ColumnKind.TOGGLING:
        low, high, seen = 0, 1, ""
    else:
        low, high = _limits(span)
        shown = sorted(set(span.numbers))
        listed = ", ".join(map(str, shown[:16])) + (" ..." if len(shown) > 16 else "")
        seen = f"   # seen: {listed}; SET its name and range"
    return f'parameters.{name} = {{ type = "integer", range = [{low}, {high}] }}{seen}'


def _comments(action: ActionFinding) -> list[str]:
    told = []
    for value in action.values:
        span = value.span
        match span.kind:
            case ColumnKind.COUNTING:
                told.append(f"Byte {span.start} counts; a value that was turned up step by step looks alike.")
            case ColumnKind.TOGGLING:
                first, second = _choices(span)
                told.append(f"Byte {span.start} goes to and fro between {first:02X} and {second:02X} hex.")
            case _:
                pass
    for cut, gap in zip(action.aligned.cuts, action.gaps, strict=True):
        told.append(
            f"From byte {cut} on it is another burst, {gap * 1000:.3g} ms later, at every press. "
            "SET: if the unit answers so, it is no part of what is sent, but a reply."
        )
    if len(set(action.aligned.messages)) == 1 and len(action.aligned.messages) > 1:
        told.append(f"Seen {len(action.aligned.messages)} times, always the same.")
    return told


def _items(action: ActionFinding, addressing: Addressing | None) -> list[str]:
    items: list[str] = []
    aligned = action.aligned
    first = aligned.messages[0]
    for span in aligned.spans:
        if span.start in aligned.cuts:
            items.append(f"{{ pause_ms = {action.gaps[aligned.cuts.index(span.start)] * 1000:.1f} }}")
        check = aligned.checks[aligned.burst_of(span.start)]
        piece = first[span.start : span.start + span.size]
        match span.kind:
            case ColumnKind.CONSTANT:
                items.append(_constant(piece))
            case ColumnKind.CHECK if check is not None:
                items.append(_check_item(check, aligned.bounds(aligned.burst_of(span.start))))
            case ColumnKind.ADDRESS:
                offset = addressing.offset if addressing is not None else 0
                items.append(f"{{ address = 1, offset = {offset} }}" if offset else "{ address = 1 }")
            case _ if _is_counter(span):
                items.append(_counter_item(action.value(span)))
            case _:
                items.append(_field_item(action.value(span)))
    return items


def _constant(piece: bytes) -> str:
    letters = sum(0x20 <= byte < 0x7F for byte in piece)
    if letters == len(piece) >= 3:
        return f"{{ text = {_text(piece.decode('ascii'))} }}"
    return f'{{ hex = "{piece.hex(" ").upper()}" }}'


def _counter_item(value: Value) -> str:
    span = value.span
    more = f", size = {span.size}" if span.size > 1 else ""
    more += ', order = "little"' if span.order == "little" else ""
    more += f", wrap = {value.wrap}" if value.wrap is not None else ""
    return f"{{ counter = {_text(value.name)}{more} }}"


def _field_item(value: Value) -> str:
    span = value.span
    more = f", size = {span.size}" if span.size > 1 else ""
    more += ', coding = "decimal-text"' if span.decimal_text else ""
    more += ', order = "little"' if span.order == "little" else ""
    if span.kind is ColumnKind.TOGGLING:
        more += f", table = {_choices(span)}"
    return f"{{ field = {_text(value.name)}{more} }}"


def _check_item(check: FoundCheck, bounds: tuple[int, int]) -> str:
    begin, length = bounds[0], bounds[1] - bounds[0]
    before = begin + check.position(length) - 1
    first, last = (begin + place for place in check.covered(length) or (0, before - begin))
    more = f", from = {first}" if first else ""
    more += f", to = {last}" if last != before else ""
    more += ', order = "little"' if check.order == "little" else ""
    more += ', coding = "hex-text"' if check.hex_text else ""
    more += ', over = "hex-text"' if check.over_text else ""
    return f"{{ check = {_text(check.name)}{more} }}"


def _items_text(items: Sequence[str]) -> str:
    line = f"[{', '.join(items)}]"
    return line if len(line) <= _LONGEST_LINE else "[\n" + "".join(f"    {item},\n" for item in items) + "]"


def _evidence_of(action: ActionFinding, sample: Sample) -> bytes | None:
    """The first message of a capture that is one of the action's."""
    return next((press.data for press in sample.presses if len(press.data) == action.aligned.length), None)


def _evidence_block(
    action: ActionFinding, sample: Sample, data: bytes, kept: Kept, addressing: Addressing | None
) -> str:
    lines = [
        "[[evidence]]",
        f"action = {_text(action.name)}",
        f"capture = {_text(kept.name)}",
        f"channel = {_text(sample.channel)}",
        f'bytes = "{data.hex(" ").upper()}"',
    ]
    if addressing is not None and addressing.places[action.name] and sample.source.unit:
        lines.append(f"address = {addressing.address(sample.source.unit)}")
    index = action.aligned.messages.index(data)
    given = {
        value.name: (
            _choices(value.span).index(value.span.numbers[index])
            if value.span.kind is ColumnKind.TOGGLING
            else value.span.numbers[index]
        )
        for value in action.values
        if not _is_counter(value.span)
    }
    if given:
        lines.append(
            f"parameters = {{ {', '.join(f'{name} = {number}' for name, number in given.items())} }}"
        )
    if kept.taken is not None:
        lines.append(f"taken = {kept.taken.isoformat()}")
    lines.append('note = ""                # SET: the conditions, such as: front panel, unit cold')
    return "\n".join(lines) + "\n"


def _one_line(text: str) -> str:
    """A comment's text: a file's name can have anything in it."""
    return "".join(character if character.isprintable() else "?" for character in text)


def _text(text: str) -> str:
    """A text as TOML writes it; JSON's escapes are TOML's, but for DEL and for what needs two."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
