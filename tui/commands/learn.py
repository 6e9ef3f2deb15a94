"""``linewarden learn``: a draft profile with evidence, from captures of buttons."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from profiles.bench.drafting import Kept, draft_profile
from profiles.bench.findings import ActionFinding, Findings, examine
from profiles.bench.samples import Source, read_samples
from profiles.errors import BadValue
from profiles.storage import save_text
from tui.capture_keeping import action_of, copy_capture, places, profile_id, unit_of
from tui.commands.decode import options_from
from tui.progress_line import ProgressLine
from tui.telling import as_json, hexadecimal, plain


def run(arguments: argparse.Namespace) -> int:
    """Learn from the captures, and write the draft."""
    output = Path(arguments.output)
    name = profile_id(output.stem, "the profile's file name")
    if output.suffix != ".toml":
        raise BadValue("should end in .toml", where=str(output), todo=f"say -o {output.with_suffix('.toml')}")
    if output.exists() and not arguments.replace:
        raise BadValue("is there already", where=str(output), todo="choose another name, or say --replace")
    sources = [_source(word) for word in arguments.captures]
    twice = next((s.path for n, s in enumerate(sources) if s.path in [o.path for o in sources[:n]]), None)
    if twice is not None:
        raise BadValue("is given twice, and would be no second proof", where=str(twice))
    with ProgressLine(quiet=arguments.json) as progress:

        def reading(done: int, of: int, name: str) -> None:
            progress.say(f"reading capture {done + 1} of {of}: {name}")

        def searching(done: int, of: int) -> None:
            progress.say(f"looking for a check: message {done} of {of}")

        options = options_from(arguments)
        line, samples = read_samples(sources, options, channel=arguments.channel, progress=reading)
        findings = examine(line, samples, searching)
    kept, copies = places(output.parent, samples)
    draft = draft_profile(
        findings,
        name=name,
        title=name.replace("-", " ").capitalize(),
        confirm=arguments.confirm,
        kept=kept,
        file=str(output),
    )
    for source, target in copies:
        copy_capture(source, target)
    save_text(output, draft.text)
    if arguments.json:
        print(as_json(_document(findings, output, kept)))
    else:
        for note in draft.notes:
            print(plain(f"note: {note}"))
        print("\n".join(plain(each) for each in _told(findings, output)))
    return 0


def _source(word: str) -> Source:
    """A capture and the action that it shows: ``NAME=FILE`` or ``NAME@UNIT=FILE``, or its name says both."""
    name, equals, file = word.partition("=")
    if equals and not Path(word).exists():
        action, _, unit = name.partition("@")
        return Source(profile_id(action, f"{name!r}"), Path(file), unit.strip())
    path = Path(word)
    return Source(action_of(path), path, unit_of(path))


def _told(findings: Findings, output: Path) -> list[str]:
    line = findings.line
    idle = "high" if line.idle_high else "low"
    lines = [f"line: {line.baud:g} {line.frame}, idle {idle}"]
    for check in findings.checks:
        lines.append(f"check: {check.text} (fits {check.messages} distinct messages)")
        lines += [f"  or {other}" for other in check.others]
    if findings.addressing is not None:
        addressing = findings.addressing
        numbers = ", ".join(f"{unit} is {addressing.address(unit)}" for unit in addressing.numbers)
        lines.append(f"address: {numbers}")
    if not findings.checks:
        lines.append("check: none that these captures can show; captures of other buttons show more")
    for action in findings.actions:
        lines += _action_lines(action)
    lines.append(f"{output}: a draft; set what it marks SET, then `linewarden check {output}`")
    return lines


def _action_lines(action: ActionFinding) -> list[str]:
    aligned = action.aligned
    count = len(aligned.messages)
    shown = hexadecimal(aligned.messages[0])
    lines = [f"{action.name}: {shown} ({count} message{'s' * (count != 1)})"]
    for value in action.values:
        numbers = ", ".join(str(number) for number in value.span.numbers[:12])
        lines.append(f"  byte {value.span.start}: {value.span.kind.value}, {value.name}: {numbers}")
    for cut, gap in zip(aligned.cuts, action.gaps, strict=True):
        lines.append(f"  one press, {gap * 1000:.1f} ms of idle line before byte {cut}")
    if action.repeat > 1:
        lines.append(f"  said {action.repeat} times, {action.repeat_pause * 1000:.1f} ms apart")
    return lines + [f"  {note}" for note in action.notes]


def _document(findings: Findings, output: Path, kept: dict[str, Kept]) -> dict[str, Any]:
    line = findings.line
    return {
        "profile": str(output),
        "line": {
            "baud": line.baud,
            "baud_measured": line.baud_measured,
            "frame": str(line.frame),
            "idle": "high" if line.idle_high else "low",
            "bit_order": line.bit_order.value if line.bit_order is not None else "unknown",
            "dead_time_s": line.dead_time,
            "looped": line.looped,
        },
        "checks": [
            {
                "name": check.name,
                "place": check.place.text,
                "order": check.order,
                "hex_text": check.hex_text,
                "over_text": check.over_text,
                "chance": check.chance,
                "messages": check.messages,
                "others": list(check.others),
            }
            for check in findings.checks
        ],
        "addresses": None
        if findings.addressing is None
        else {unit: findings.addressing.address(unit) for unit in findings.addressing.numbers},
        "actions": [
            {
                "name": action.name,
                "messages": [hexadecimal(message) for message in action.aligned.messages],
                "columns": [column.kind.value for column in action.aligned.columns],
                "values": [
                    {"name": v.name, "at": v.span.start, "size": v.span.size, "seen": list(v.span.numbers)}
                    for v in action.values
                ],
                "repeat": action.repeat,
                "pauses": [
                    {"before": cut, "pause_s": gap}
                    for cut, gap in zip(action.aligned.cuts, action.gaps, strict=True)
                ],
                "captures": [kept[str(sample.source.path)].name for sample in action.samples],
                "notes": list(action.notes),
            }
            for action in findings.actions
        ],
    }
