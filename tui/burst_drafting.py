"""A burst that was seen, made into a new action or observation of its bus's profile. Pure.

What the profile knows already of how messages look (where the address stands, which check ends them) is
proposed for the new one where the burst bears it out; all else is kept as the bytes that were seen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from profiles.checksums import find_check
from profiles.compiled import CompiledProfile
from profiles.errors import LinewardenError
from profiles.items import AddressItem, CheckItem, HexItem, PauseItem, TextItem
from profiles.parts import AddressPart
from profiles.template import ByteTemplate
from tui.profile_places import table_text, value_text
from tui.telling import hexadecimal

__all__ = ["Proposal", "action_block", "evidence_block", "observation_block", "propose"]


@dataclass(frozen=True, slots=True)
class Proposal:
    """How a burst could be written as a template."""

    items: tuple[dict[str, Any], ...]
    """Items as they stand in a profile."""
    address: int | None = None
    """The address in the burst, where one was recognised."""
    like: str = ""
    """What it was taken to be like; empty where it is only its bytes."""
    known: str = ""
    """The action or observation that explains the burst already."""


def propose(profile: CompiledProfile | None, data: bytes, *, observed: bool = False) -> Proposal:
    """The items for a burst.

    Args:
        profile: what is known already; None where it has faults.
        data: the burst's bytes, one at least.
        observed: whether it is to be an observation: then the observations are looked at first.
    """
    plain = Proposal(({"hex": hexadecimal(data)},))
    if profile is None:
        return plain
    best, known = plain, ""
    most = 0
    for name, items, template in _templates(profile, observed=observed):
        if not known and template.read(data) is not None:
            known = name
        found = _like(profile, items, template, data)
        if found is not None and found[0] > most:
            most, best = found[0], Proposal(found[1], found[2], name)
    return Proposal(best.items, best.address, best.like, known)


def _templates(
    profile: CompiledProfile, *, observed: bool
) -> Iterable[tuple[str, Sequence[Any], ByteTemplate]]:
    actions = [(name, action.spec.send, action.send) for name, action in profile.actions.items()]
    observations = [
        (o.spec.title or o.spec.name or f"observation {o.index + 1}", o.spec.match, o.match)
        for o in profile.observations
    ]
    return [*observations, *actions] if observed else [*actions, *observations]


def _like(
    profile: CompiledProfile, items: Sequence[Any], template: ByteTemplate, data: bytes
) -> tuple[int, tuple[dict[str, Any], ...], int | None] | None:
    """The burst written in a known template's shape, and how much speaks for it; None where nothing does."""
    items = [item for item in items if not isinstance(item, PauseItem)]
    start, address, head = _head(items, template, data)
    if start == 0:
        return None
    check = _check(items, data)
    if template.checked and check is None:
        return None
    end = len(data)
    tail: list[dict[str, Any]] = []
    if check is not None:
        end, tail = check
    if end < start or not (address is not None or check is not None):
        return None
    middle = [{"hex": hexadecimal(data[start:end])}] if end > start else []
    made = (*_joined([*head, *middle]), *tail)
    if not _says(profile, made, address, data):
        return None
    return (2 if check is not None else 0) + (1 if address is not None else 0), made, address


def _head(
    items: Sequence[Any], template: ByteTemplate, data: bytes
) -> tuple[int, int | None, list[dict[str, Any]]]:
    """What stands before and at the address: how many bytes, the address, and the items."""
    place = 0
    made: list[dict[str, Any]] = []
    addressed = template.addressed
    for item, part in zip(items, template.parts, strict=True):
        piece = data[place : place + part.size]
        if isinstance(item, HexItem | TextItem):
            known = bytes.fromhex(item.hex) if isinstance(item, HexItem) else item.text.encode("latin-1")
            if not addressed:
                # Without an address the first byte is what messages of a kind have in common.
                return (
                    (1, None, [{"hex": hexadecimal(known[:1])}]) if known[:1] == data[:1] else (0, None, [])
                )
            if piece != known:
                return 0, None, []
            made.append(_written(item))
        elif isinstance(item, AddressItem) and isinstance(part, AddressPart):
            address = part.read(piece) if len(piece) == part.size else None
            if address is None:
                return 0, None, []
            return place + part.size, address, [*made, _written(item)]
        else:
            return 0, None, []
        place += part.size
    return 0, None, []


def _check(items: Sequence[Any], data: bytes) -> tuple[int, list[dict[str, Any]]] | None:
    """What ends a message from its check on, where the burst ends so: where that begins, and its items."""
    place = len(data)
    tail: list[dict[str, Any]] = []
    for item in reversed(items):
        if isinstance(item, HexItem | TextItem):
            known = bytes.fromhex(item.hex) if isinstance(item, HexItem) else item.text.encode("latin-1")
            if data[max(0, place - len(known)) : place] != known:
                return None
            place -= len(known)
            tail.insert(0, _written(item))
        elif isinstance(item, CheckItem):
            place -= find_check(item.check).size * (2 if item.coding == "hex-text" else 1)
            tail.insert(0, _written(item))
            return (place, tail) if place > item.from_ else None
        else:
            return None
    return None


def _joined(items: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Constant bytes that follow each other as one item."""
    made: list[dict[str, Any]] = []
    for item in items:
        if made and item.keys() == {"hex"} == made[-1].keys():
            made[-1] = {"hex": f"{made[-1]['hex']} {item['hex']}"}
        else:
            made.append(item)
    return made


def _says(
    profile: CompiledProfile, items: Sequence[dict[str, Any]], address: int | None, data: bytes
) -> bool:
    """Whether the items give exactly these bytes: what is proposed has to."""
    kinds = {"hex": HexItem, "text": TextItem, "address": AddressItem, "check": CheckItem}
    try:
        models = [next(kind for key, kind in kinds.items() if key in item)(**item) for item in items]
        template = ByteTemplate.compile(models, address=profile.profile.address)
        return template.build({}, address=address).data == data
    except LinewardenError:
        return False


def _written(item: HexItem | TextItem | AddressItem | CheckItem) -> dict[str, Any]:
    return item.model_dump(by_alias=True, exclude_defaults=True)


def action_block(name: str, title: str, proposal: Proposal) -> str:
    """The new action's table."""
    lines = [f"[actions.{name}]"]
    if title.strip():
        lines.append(f"title = {value_text(title.strip())}")
    lines += [
        'effect = "unknown"     # until that is known, it counts as energise',
        f"send = {_items_text(proposal.items)}",
    ]
    return "\n".join(lines) + "\n"


def observation_block(title: str, proposal: Proposal, data: bytes, day: dt.date, note: str) -> str:
    """The new observation's table; what it tells is still to be said."""
    lines = [f"# {note}, {day.isoformat()}: {hexadecimal(data)}", "[[observations]]"]
    if title.strip():
        lines.append(f"title = {value_text(title.strip())}")
    lines.append(f"match = {_items_text(proposal.items)}")
    return "\n".join(lines) + "\n"


def evidence_block(
    action: str,
    address: int | None,
    data: bytes,
    day: dt.date,
    note: str,
    capture: tuple[str, str] | None = None,
) -> str:
    """Where the new action came from; ``capture`` is its file, beside the profile, and the channel in it."""
    lines = ["[[evidence]]", f"action = {value_text(action)}"]
    if capture is not None:
        lines += [f"capture = {value_text(capture[0])}", f"channel = {value_text(capture[1])}"]
    if address is not None:
        lines.append(f"address = {address}")
    lines += [f'bytes = "{hexadecimal(data)}"', f"taken = {day.isoformat()}", f"note = {value_text(note)}"]
    return "\n".join(lines) + "\n"


_LONGEST_LINE = 100


def _items_text(items: Sequence[dict[str, Any]]) -> str:
    written = [table_text(item) for item in items]
    line = f"[{', '.join(written)}]"
    if len(line) <= _LONGEST_LINE:
        return line
    return "[\n" + "".join(f"    {item},\n" for item in written) + "]"
