"""Plain announcements: a topic and a payload by template, for systems with a discovery format of their own.

A template has the site's own fields in braces, such as ``{site}`` or ``{unit}``; braces around anything else
stand for themselves, so that JSON can be written as it is. Which fields the topic has says how often it is
published: once, for each unit, for each state or for each action. Pure.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from controller.homie_devices import Publication
from controller.homie_values import Property
from controller.site_model import AnnounceSpec
from profiles.model import Value
from profiles.wording import near

if TYPE_CHECKING:
    # The site's rules ask here while the site itself is being read.
    from controller.homie import HomieSite

__all__ = ["announcements", "template_faults"]

Fields = dict[str, Value | None]

_FIELD = re.compile(r"\{([a-z_]+)\}")

_OF_SITE = ("site", "site_title", "site_topic", "response_prefix")
_OF_UNIT = ("unit", "unit_title", "unit_topic", "bus", "role", "group", "address")
_OF_STATE = ("state", "state_title", "state_topic", "datatype", "format", "measured_in", "settable")
_OF_ACTION = ("action", "action_title", "action_topic", "action_datatype", "action_format")
_ALL = (*_OF_SITE, *_OF_UNIT, *_OF_STATE, *_OF_ACTION)
_IDS = frozenset(("site", "unit", "bus", "role", "group", "address", "state", "action"))
"""What can stand in a topic: no free text."""


def template_faults(specs: Sequence[AnnounceSpec]) -> Iterator[tuple[int, str, str, str]]:
    """What is wrong with the site's announcements: index, key, what, and what to do."""
    topics: dict[str, int] = {}
    for index, spec in enumerate(specs):
        for what, todo in _topic_faults(spec.topic):
            yield index, "topic", what, todo
        for what, todo in _payload_faults(spec):
            yield index, "payload", what, todo
        first = topics.setdefault(spec.topic, index)
        if first != index:
            yield index, "topic", f"is that of announce[{first}] too", "give each a topic of its own"


def _topic_faults(topic: str) -> Iterator[tuple[str, str]]:
    fields = set(_FIELD.findall(topic))
    for name in sorted(fields - {*_ALL}):
        yield f"there is no field {{{name}}}", near(name, list(_ALL))
    for name in sorted(fields & {*_ALL} - _IDS):
        yield f"{{{name}}} is a text, and a topic is made of ids", "use {site}, {unit}, {state} or {action}"
    if topic.startswith(("homie/", "{", "$")):
        yield (
            "must begin with a word that is not homie: what is there belongs to Homie or the broker",
            'use a topic such as "discovery/{site}/{unit}"',
        )
    for name in sorted(fields - {"site"}):
        needs = _needs(name)
        if needs not in (None, name) and needs not in fields:
            yield f"{{{name}}} needs {{{needs}}} beside it, or several would be published there", ""
    if {"state", "action"} <= fields:
        yield "{state} and {action} don't go together", "make two announcements of it"


def _needs(name: str) -> str | None:
    """The id that the topic must have where a field is used."""
    if name in _OF_UNIT or name == "state" or name == "action":
        return "unit"
    return "state" if name in _OF_STATE else "action" if name in _OF_ACTION else None


def _payload_faults(spec: AnnounceSpec) -> Iterator[tuple[str, str]]:
    in_topic = set(_FIELD.findall(spec.topic))
    fields = set(_FIELD.findall(spec.payload))
    for name in sorted(fields - {*_ALL}):
        yield f"there is no field {{{name}}}", near(name, list(_ALL))
    for name in sorted(fields & {*_ALL}):
        needs = "state" if name == "state" else "action" if name == "action" else _needs(name)
        if needs is not None and needs not in in_topic:
            yield f"{{{name}}} is used, and the topic has no {{{needs}}}", f"put {{{needs}}} into the topic"
    if not spec.payload:
        yield "is empty, which would delete what is retained there", "write what is to be published"
    elif _is_json(spec.payload):
        # Fields that there are none of are told above: what is looked at here is all else.
        sample: Fields = {**dict.fromkeys([*_ALL, *fields], 'a "text"\\'), "address": 1, "settable": True}
        try:
            json.loads(_filled(spec.payload, sample))
        except (ValueError, RecursionError) as error:
            where = f" at character {error.pos + 1}" if isinstance(error, json.JSONDecodeError) else ""
            yield f"begins as JSON and is none once it is filled in{where}", "put texts in double quotes"


def _is_json(template: str) -> bool:
    return template.lstrip()[:1] in ("{", "[") and not _FIELD.match(template.lstrip())


def _filled(template: str, fields: Fields) -> str:
    """The template with its fields; in JSON, texts are escaped as they have to be inside of quotes."""
    escaped = _is_json(template)

    def value(found: re.Match[str]) -> str:
        given = fields[found[1]]
        if given is None or isinstance(given, bool):
            return json.dumps(given) if escaped else ("" if given is None else str(given).lower())
        return (
            json.dumps(given, ensure_ascii=False)[1:-1] if escaped and isinstance(given, str) else str(given)
        )

    return _FIELD.sub(value, template)


def announcements(site: HomieSite, specs: Sequence[AnnounceSpec], response_prefix: str) -> list[Publication]:
    """Everything that the site announces beside Homie. The templates have no faults."""
    found = []
    for spec in specs:
        in_topic = set(_FIELD.findall(spec.topic))
        for fields in _each(site, in_topic, response_prefix):
            topic = _filled(spec.topic, fields)
            found.append(Publication(topic, _filled(spec.payload, fields).encode("utf-8", "replace")))
    return found


def _each(site: HomieSite, in_topic: set[str], response_prefix: str) -> Iterator[Fields]:
    of_site: Fields = {
        "site": site.root.id,
        "site_title": site.root.name,
        "site_topic": site.root.topic,
        "response_prefix": response_prefix,
    }
    if "unit" not in in_topic:
        yield of_site
        return
    for name, unit in site.loaded.site.units.items():
        device = site.units[name]
        of_unit: Fields = {
            **of_site,
            "unit": name,
            "unit_title": device.name,
            "unit_topic": device.topic,
            "bus": unit.bus,
            "role": unit.role,
            "group": unit.group or "none",
            "address": unit.address,
        }
        if not in_topic & {"state", "action"}:
            yield of_unit
        node = "state" if "state" in in_topic else "actions"
        for (where, each), spec in device.properties.items():
            if where == node and in_topic & {"state", "action"}:
                topic = device.value_topic(node, each)
                yield {**of_unit, **(_state if node == "state" else _action)(spec, topic)}


def _state(spec: Property, topic: str) -> Fields:
    return {
        "state": spec.id,
        "state_title": spec.name,
        "state_topic": topic,
        "datatype": spec.datatype.value,
        "format": spec.format or "",
        "measured_in": spec.unit,
        "settable": spec.settable,
    }


def _action(spec: Property, topic: str) -> Fields:
    return {
        "action": spec.id,
        "action_title": spec.name,
        "action_topic": topic,
        "action_datatype": spec.datatype.value,
        "action_format": spec.format or "",
    }
