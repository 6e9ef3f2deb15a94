"""``linewarden profiles``: list, show, import, export."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from profiles.checksums import catalogue_names, own_names
from profiles.compiled import CompiledAction, CompiledProfile
from profiles.exchange import export_profile, import_profile
from profiles.library import Source, find, list_profiles
from profiles.model import Parameter, StateSpec, ValueType
from tui.telling import as_json, plain, table, value_word


def run(arguments: argparse.Namespace) -> int:
    """Do what was asked; without a word, list."""
    return {
        None: _list,
        "list": _list,
        "show": _show,
        "checks": _checks,
        "import": _import,
        "export": _export,
    }[arguments.what](arguments)


def _list(arguments: argparse.Namespace) -> int:
    found = list_profiles()
    if arguments.json:
        print(
            as_json(
                [
                    {
                        "name": each.source.name,
                        "title": each.title,
                        "from": each.source.origin.value,
                        "file": each.source.where,
                        "problem": each.problem,
                    }
                    for each in found
                ]
            )
        )
        return 0
    rows = [
        (
            each.source.name,
            f"{each.source.origin.value}{' (in place of a shipped one)' if each.replaces_shipped else ''}",
            plain(each.problem or each.title),
        )
        for each in found
    ]
    print("\n".join(table(rows, ("NAME", "FROM", "TITLE"))))
    return 0


def _show(arguments: argparse.Namespace) -> int:
    source = find(arguments.name)
    if arguments.text:
        print(source.text(), end="")
        return 0
    profile = source.load()
    if arguments.json:
        print(as_json(_document(source, profile)))
    else:
        print("\n".join(plain(line) for line in _lines(source, profile)))
    return 0


def _document(source: Source, profile: CompiledProfile) -> dict[str, Any]:
    document: dict[str, Any] = profile.profile.model_dump(mode="json", by_alias=True, exclude_none=True)
    return {"from": source.origin.value, "file": source.where, "profile": document}


def _lines(source: Source, profile: CompiledProfile) -> list[str]:
    spec, line = profile.profile, profile.line
    lines = [f"{spec.name}: {spec.title}", f"  from      {source.origin.value} ({source.where})"]
    lines.append(
        f"  line      {line.baud:g} baud {line.frame}, {line.bit_order} first, idles {line.idle}; "
        f"a frame takes {line.frame_time * 1000:.3f} ms"
    )
    confirm = spec.confirm
    lines.append(f"  confirm   {confirm.method.value}, {confirm.timeout_ms:g} ms, {confirm.retries} retries")
    if spec.address:
        everyone = f", all units: {spec.address.all}" if spec.address.all is not None else ""
        lines.append(f"  address   {spec.address.range[0]} to {spec.address.range[1]}{everyone}")
    for name, state in spec.states.items():
        lines.append(f"  state     {name}: {_kind(state)}")
    for action in profile.actions.values():
        lines += _action_lines(action)
    for observation in profile.observations:
        sets = ", ".join(observation.spec.sets)
        lines.append(f"  hears     {observation.title}{f': {sets}' if sets else ''}")
    if spec.probe:
        lines.append(f"  probe     {spec.probe}")
    return lines


def _action_lines(action: CompiledAction) -> list[str]:
    takes = " ".join(f"{name}={_kind(spec)}" for name, spec in action.spec.parameters.items())
    head = f"  action    {action.name} {takes}".rstrip()
    return [f"{head}: {action.title} ({action.spec.effect.value}, {action.send.size} bytes)"]


def _kind(spec: Parameter | StateSpec) -> str:
    if spec.values:
        return "|".join(spec.values)
    if spec.type is ValueType.BOOLEAN:
        return "true|false"
    span = f"{spec.range[0]:g}..{spec.range[1]:g}" if spec.range else spec.type.value
    return f"{span}{spec.measured_in and ' ' + value_word(spec.measured_in)}"


def _checks(arguments: argparse.Namespace) -> int:
    if arguments.json:
        print(as_json({"own": list(own_names()), "catalogue": list(catalogue_names())}))
    else:
        print("\n".join((*own_names(), *catalogue_names())))
    return 0


def _import(arguments: argparse.Namespace) -> int:
    source = import_profile(Path(arguments.file), replace=arguments.replace)
    if arguments.json:
        print(as_json({"name": source.name, "file": source.where}))
    else:
        print(plain(f"{source.name} is now one of your own profiles: {source.where}"))
    return 0


def _export(arguments: argparse.Namespace) -> int:
    target = export_profile(find(arguments.name), Path(arguments.file), overwrite=arguments.replace)
    if arguments.json:
        print(as_json({"name": arguments.name, "file": str(target)}))
    else:
        print(plain(f"{arguments.name} with its evidence: {target}"))
    return 0
