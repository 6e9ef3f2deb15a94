"""Rules about bytes: templates that can be built, told apart, and sent on this line; evidence that fits."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from profiles.compiled import field_types
from profiles.errors import BadValue, LinewardenError, NotKnown, TemplateError
from profiles.locating import key_text
from profiles.model import Action, Address, AddressItem, AnyItem, CheckItem, Evidence, PauseItem, Reply
from profiles.parts import CheckPart, CounterPart, Typed
from profiles.rules import Looked, Path
from profiles.template import ByteTemplate

__all__ = ["look_at_bytes", "stays_below"]


@dataclass(slots=True)
class _Templates:
    """Every template that can be built."""

    sends: dict[str, ByteTemplate] = field(default_factory=dict)
    replies: dict[str, dict[Path, tuple[Reply, ByteTemplate]]] = field(default_factory=dict)
    """For each action the answers that it can get, by their places in the file."""
    matches: dict[Path, ByteTemplate] = field(default_factory=dict)


def look_at_bytes(looked: Looked) -> None:
    """Go through all rules about the profile's bytes."""
    templates = _compile(looked)
    _actions_apart(looked, templates)
    _replies_apart(looked, templates)
    _observations_apart(looked, templates)
    _counters_agree(looked, templates)
    for path, evidence in looked.entries("evidence"):
        _evidence(looked, path, evidence, templates)


def _compile(looked: Looked) -> _Templates:
    """Build every template, and say which can't be built."""
    profile = looked.profile
    if profile.address is None:
        _addresses_are_none(looked)
    # Where there is none to go by, one stands in, so that everything else can be looked at.
    address = _address(looked) or Address(range=(0, 0))
    templates = _Templates()

    def replies(
        entries: Iterable[tuple[Path, Reply]], types: Mapping[str, Typed]
    ) -> dict[Path, tuple[Reply, ByteTemplate]]:
        built: dict[Path, tuple[Reply, ByteTemplate]] = {}
        for path, reply in entries:
            both = {**field_types(profile, reply.sets), **types}
            template = _build(looked, (*path, "expect"), reply.expect, types=both, address=address)
            if template:
                built[path] = (reply, template)
        return built

    common = replies(looked.entries("reply"), {})
    for name, action in profile.actions.items():
        path: Path = ("actions", name, "send")
        sent = _build(looked, path, action.send, types=action.parameters, address=address, sending=True)
        if sent:
            templates.sends[name] = sent
        own = replies(
            ((("actions", name, "reply", n), reply) for n, reply in enumerate(action.reply)),
            action.parameters,
        )
        templates.replies[name] = own | {
            where: pair for where, pair in common.items() if pair[0].answers(name)
        }
    for path, observation in looked.entries("observations"):
        types = field_types(profile, observation.sets)
        matched = _build(looked, (*path, "match"), observation.match, types=types, address=address)
        if matched:
            templates.matches[path] = matched
    return templates


def _address(looked: Looked) -> Address | None:
    """The profile's addresses, where they can be gone by."""
    address = looked.profile.address if looked.sound("address") else None
    return address if address is not None and 0 <= address.range[0] <= address.range[1] else None


def _addresses_are_none(looked: Looked) -> None:
    """Say it once where addresses are sent and the profile has none."""
    if not looked.sound("address"):
        return
    for name, action in looked.profile.actions.items():
        for index, item in enumerate(action.send):
            if isinstance(item, AddressItem):
                looked.fault(
                    ("actions", name, "send", index, "address"),
                    "is an address, but the profile has none",
                    "add `[address]` with `range = [1, 15]`",
                )
                return


def _build(
    looked: Looked,
    path: Path,
    items: Sequence[Any],
    *,
    types: Mapping[str, Typed],
    address: Address,
    sending: bool = False,
) -> ByteTemplate | None:
    """One template, or None and every reason why it can't be built."""

    def compiled(some: Sequence[Any]) -> ByteTemplate:
        return ByteTemplate.compile(some, types=types, address=address, sending=sending)

    try:
        template = compiled(items)
    except TemplateError as error:
        alone = _faulty_alone(items, compiled) or {error.index: error}
        for index, reason in alone.items():
            place = path if index is None else (*path, index, _key(items[index]))
            looked.fault(place, reason.what, reason.todo)
        return None
    _fits_line(looked, path, items, template)
    return template


def _faulty_alone(
    items: Sequence[Any], compiled: Callable[[Sequence[Any]], ByteTemplate]
) -> dict[int | None, LinewardenError]:
    """The items that can't be built even by themselves: all of them, where compiling stops at the first."""
    faulty: dict[int | None, LinewardenError] = {}
    for index, item in enumerate(items):
        try:
            if isinstance(item, CheckItem):  # it needs the others
                CheckPart.compile(item)
            elif not isinstance(item, PauseItem):  # it is no byte
                compiled([item])
        except (TemplateError, NotKnown) as error:
            faulty[index] = error
    return faulty


def _key(item: Any) -> str:
    """The key that says what an item is."""
    return str(next(iter(type(item).model_fields)))


def _fits_line(looked: Looked, path: Path, items: Sequence[Any], template: ByteTemplate) -> None:
    """A frame of fewer than 8 data bits can't carry every byte."""
    bits = looked.profile.line.format.data_bits
    if not looked.sound("line") or bits >= 8:
        return
    placed = [(index, item) for index, item in enumerate(items) if not isinstance(item, PauseItem)]
    for (index, item), part in zip(placed, template.parts, strict=True):
        if isinstance(item, AnyItem):
            continue
        greatest = max(byte for place in part.sets() for byte in place)
        if greatest >> bits:
            looked.fault(
                (*path, index, _key(item)),
                f"can be {greatest:02X} hex, which does not fit {bits} data bits",
                'send it as text (`coding = "hex-text"`), or look at `line.frame`',
            )


def _same(one: ByteTemplate, other: ByteTemplate) -> bool:
    return one.sets == other.sets and one.overlaps(other)


def _mixed_up(one: ByteTemplate, other: ByteTemplate) -> bool:
    """Whether some bytes are both, and neither is the narrower and so the likelier one."""
    return one.overlaps(other) and not (one.narrower_than(other) or other.narrower_than(one))


def _pairs(templates: Mapping[Any, ByteTemplate]) -> list[tuple[Any, Any]]:
    """Earlier and later template of the same length: only these can say the same bytes."""
    by_size: dict[int, list[Any]] = {}
    pairs = []
    for key, template in templates.items():
        others = by_size.setdefault(template.size, [])
        pairs += [(other, key) for other in others]
        others.append(key)
    return pairs


def _actions_apart(looked: Looked, templates: _Templates) -> None:
    actions = looked.profile.actions
    for one, other in _pairs(templates.sends):
        sends = templates.sends[one], templates.sends[other]
        path: Path = ("actions", other, "send")
        if not _mixed_up(*sends):
            continue
        if not _same(*sends):
            looked.warn(path, f"some of its messages are also those of {one}")
        elif actions[one].repeatable or actions[other].repeatable:
            looked.fault(
                path,
                f"says the same bytes as {one}",
                "where both are one toggle, add `repeatable = false` and `only_if` to both",
            )
        else:
            looked.warn(path, f"says the same bytes as {one}: seen on the bus they can't be told apart")


def _replies_apart(looked: Looked, templates: _Templates) -> None:
    told: set[Path] = set()
    for replies in templates.replies.values():
        for one, other in _pairs({path: template for path, (_, template) in replies.items()}):
            (first, mine), (second, theirs) = replies[one], replies[other]
            if (first.means, first.sets) != (second.means, second.sets) and _mixed_up(mine, theirs):
                if other not in told:
                    looked.fault((*other, "expect"), *_alike(one))
                told.add(other)


def _observations_apart(looked: Looked, templates: _Templates) -> None:
    for path, template in templates.matches.items():
        if all(len(place) == 256 for place in template.sets) and not template.checked:
            looked.fault(
                (*path, "match"), "is any bytes at all", "add a byte that is always there, or a check"
            )
    for one, other in _pairs(templates.matches):
        if _mixed_up(templates.matches[one], templates.matches[other]):
            looked.fault((*other, "match"), *_alike(one))


def _alike(one: Path) -> tuple[str, str]:
    return f"can't be told apart from {key_text(one)}", "add a byte that differs, or a check"


def _counters_agree(looked: Looked, templates: _Templates) -> None:
    """A counter of one name is one counter, in whichever action it stands."""
    known: dict[str, tuple[str, CounterPart]] = {}
    for name, template in templates.sends.items():
        for part in template.counters:
            first, other = known.setdefault(part.name, (name, part))
            if (part.start, part.wrap, part.per) != (other.start, other.wrap, other.per):
                looked.fault(
                    ("actions", name, "send"),
                    f"counts {part.name} in another way than {first} does",
                    "give both the same `start`, `wrap` and `per`, or two names",
                )


def _evidence(looked: Looked, path: Path, evidence: Evidence, templates: _Templates) -> None:
    """What was seen must be what the action says."""
    if evidence.capture and not stays_below(evidence.capture):
        looked.fault(
            (*path, "capture"),
            "is no file beside the profile",
            "name it relative to the profile, such as captures/power-on.csv",
        )
    action = looked.profile.actions.get(evidence.action)
    template = templates.sends.get(evidence.action)
    if action is None or template is None:
        return
    if template.addressed and _address(looked) is None:
        return
    data = bytes.fromhex(evidence.bytes)
    if len(data) not in (template.size, template.size * action.repeat):
        looked.fault(
            (*path, "bytes"),
            f"has {len(data)} bytes, and {evidence.action} sends {template.size * action.repeat}",
            "correct whichever is wrong",
        )
        return
    for start in range(0, len(data), template.size):
        piece = data[start : start + template.size]
        if not _evidence_piece(looked, path, evidence, action, template, piece):
            return


def _evidence_piece(
    looked: Looked, path: Path, evidence: Evidence, action: Action, template: ByteTemplate, data: bytes
) -> bool:
    """Whether one message of the evidence is the action's; says why not."""
    reading = template.read(data)
    if reading is None:
        looked.fault(
            (*path, "bytes"), f"{data.hex(' ').upper()} {_difference(evidence, action, template, data)}"
        )
        return False
    for name, value in evidence.parameters.items():
        if name not in action.parameters:
            looked.fault((*path, "parameters", name), f"{evidence.action} has no such parameter")
        elif reading.values.get(name) != value:
            looked.fault(
                (*path, "parameters", name), f"is {value!r}, and the bytes say {reading.values.get(name)!r}"
            )
    if evidence.address is not None and evidence.address != reading.address:
        says = "have none" if reading.address is None else f"say {reading.address}"
        looked.fault((*path, "address"), f"is {evidence.address}, and the bytes {says}")
    return True


def _difference(evidence: Evidence, action: Action, template: ByteTemplate, data: bytes) -> str:
    """How bytes differ from what the action sends, as far as that can be told."""
    for index, (byte, allowed) in enumerate(zip(data, template.sets, strict=True)):
        if byte not in allowed:
            wanted = f"{min(allowed):02X}" if len(allowed) == 1 else f"one of {len(allowed)} others"
            return f"is not what {evidence.action} sends: byte {index} is {byte:02X}, not {wanted}"
    parameters = {name: spec.default for name, spec in action.parameters.items() if spec.default is not None}
    try:
        message = template.build({**parameters, **evidence.parameters}, address=evidence.address)
    except BadValue:
        return f"is not what {evidence.action} sends: a check or a value in it is wrong"
    return f"is not what {evidence.action} sends: that is {message.data.hex(' ').upper()}"


def stays_below(name: str) -> bool:
    """Whether a file's name leads to no place but the profile's own folder, on any system."""
    posix, windows = PurePosixPath(name), PureWindowsPath(name)
    return not (
        posix.is_absolute()
        or windows.is_absolute()
        or windows.drive
        or windows.root
        or "\\" in name
        or ".." in posix.parts
        or any(not character.isprintable() or character in '<>:"|?*' for character in name)
    )
