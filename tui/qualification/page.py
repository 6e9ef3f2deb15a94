"""A qualification's report: one HTML page that needs nothing else, for a screen, in the dark, and on paper.

Made from the JSON document alone, so that the two can't say different things. Every text is escaped, and the
page forbids itself to load anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from tui.qualification.plots import Point, histogram, outcome_strip, over_cycles
from tui.qualification.style import STYLE
from tui.telling import plain

__all__ = ["report_page"]

Document = Mapping[str, Any]

_WORDS = {
    "pass": ("✓", "Passed"),
    "fail": ("✗", "Failed"),
    "incomplete": ("◌", "Incomplete"),
    "not-shown": ("?", "Not shown"),
}
_MOST_COMMANDS = 2000
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def report_page(document: Document, pictures: Sequence[str] = ()) -> str:
    """The page.

    Args:
        document: what ``run_document`` gives.
        pictures: an SVG for each of its waveforms, in their order.
    """
    title = f"Qualification of {document['unit']['title']}"
    parts = [
        _head(document),
        _section("Limits", _limits(document)),
        _section("Failures by kind", _failures(document)),
        _section("What came of each command", _strip(document)),
        _section("Figures", _figures(document)),
        _section("Plots", _plots(document)),
        _section("Waveforms", _waveforms(document, pictures)),
        _section("What was tested", _tested(document)),
        _section("Notes", _notes(document)),
        _commands(document),
        f'<p class="caution">{_t(document["caution"])}</p>',
    ]
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_t(title)}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(part for part in parts if part)
        + "\n</body>\n</html>\n"
    )


def _t(value: object) -> str:
    """A text as it may stand in the page."""
    return escape(plain(str(value)), quote=True)


def _section(head: str, inside: str) -> str:
    return f"<section>\n<h2>{_t(head)}</h2>\n{inside}\n</section>" if inside else ""


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table of cells that are escaped already; one that begins with ``<td`` is a whole cell."""
    body = "".join(
        f"<tr>{''.join(cell if cell.startswith('<td') else f'<td>{cell}</td>' for cell in row)}</tr>"
        for row in rows
    )
    top = "".join(f'<th scope="col">{_t(head)}</th>' for head in heads)
    return f'<div class="wide"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def _number(value: float | None, places: int = 2) -> str:
    """A cell with a number, right-aligned."""
    if value is None:
        return '<td class="number">–</td>'
    text = f"{value:.{places}f}"
    return f'<td class="number">{text}</td>'


def _head(document: Document) -> str:
    symbol, word = _WORDS.get(document["verdict"], ("?", str(document["verdict"])))
    unit, plan = document["unit"], document["plan"]
    mark = ""
    if not document["complete"]:
        mark = (
            f"<p><strong>Incomplete:</strong> ended after {plan['completed']} of {plan['cycles']} cycles: "
            f"{_t(document['incomplete'])}</p>"
        )
    return (
        f"<header>\n<h1>Qualification of {_t(unit['title'])}</h1>\n"
        f'<p class="quiet">{_t(document["site"])} · unit {_t(unit["id"])} on bus {_t(unit["bus"])} · '
        f"{_t(_when(document['began']))} to {_t(_when(document['ended']))}</p>\n"
        f'<div class="verdict {_t(document["verdict"])}"><p><b>{symbol} {_t(word)}</b>: '
        f"{_t(document['text'])}</p>{mark}</div>\n</header>"
    )


def _when(instant: str) -> str:
    return f"{instant[:10]} {instant[11:19]} UTC"


def _limits(document: Document) -> str:
    rows = []
    for each in document["limits"]:
        unit = "" if each["unit"] == "count" else f" {each['unit']}"
        figure = "–" if each["figure"] is None else f"{each['figure']:.4g}{unit}"
        limit = (
            "none" if each["limit"] is None else f"{'≥' if each['least'] else '≤'} {each['limit']:g}{unit}"
        )
        met = {True: '<td class="yes">✓ kept</td>', False: '<td class="no">✗ past it</td>'}.get(
            each["met"], f"<td>– {_t(each['why'] or 'not judged')}</td>"
        )
        rows.append([_t(each["words"]), _t(figure), _t(limit), met, _t(each["source"])])
    return _table(("what", "figure", "limit", "kept", "where the limit is from"), rows)


def _failures(document: Document) -> str:
    rows = [
        [
            _t(each["kind"]),
            _number(each["count"], 0),
            _t(", ".join(f"{action} {count}" for action, count in each["actions"].items())),
            _t(_cycles(each["cycles"])),
            _t(f"{each['text']}{'; look at ' + each['look_at'] if each['look_at'] else ''}"),
        ]
        for each in document["figures"]["failures"]
    ]
    if not rows:
        return "<p>None of the commands of the cycles failed.</p>" if document["figures"]["commands"] else ""
    return _table(("kind", "count", "of", "in cycles", "what the first said"), rows)


def _cycles(numbers: Sequence[int]) -> str:
    shown = ", ".join(str(number) for number in numbers[:20])
    return f"{shown} and {len(numbers) - 20} more" if len(numbers) > 20 else shown


def _strip(document: Document) -> str:
    cycles: dict[int, list[str]] = {}
    for each in document["commands"]:
        if each["phase"] in ("on", "off"):
            good = each["outcome"] in ("confirmed", "answered", "sent")
            kind = ("retried" if each["attempts"] > 1 else "good") if good else "bad"
            cycles.setdefault(each["cycle"], ["", ""])[each["phase"] == "off"] = kind
    failed = document["figures"]["failed"]
    label = f"Commands of {len(cycles)} cycles, on above off; {failed} failed"
    strip = outcome_strip(label, [(pair[0], pair[1]) for _, pair in sorted(cycles.items())])
    if not strip:
        return ""
    caption = "Filled: at the first attempt. Open with a dot: after a retry. Crossed: failed or refused."
    return f"<figure>{strip}<figcaption>{caption}</figcaption></figure>"


_SPREAD = ("count", "least", "median", "mean", "p95", "most", "deviation")


def _figures(document: Document) -> str:
    figures = document["figures"]
    rows = []
    for words, spread, places in (
        (f"{figures['on']['action']}: time, ms", figures["on"]["took_ms"], 2),
        (f"{figures['off']['action']}: time, ms", figures["off"]["took_ms"], 2),
        ("echo lag of a frame, ms", figures["lag_ms"], 3),
        ("power-up time, s", figures["power_up_s"], 3),
    ):
        if spread is not None:
            rows.append(
                [_t(words), *(_number(spread[name], 0 if name == "count" else places) for name in _SPREAD)]
            )
    spreads = _table(("", *_SPREAD[:4], "95 of 100", "most", "deviation"), rows) if rows else ""
    came = f"{figures['good']} of {figures['commands']} commands came about"
    lines = [f"{came}, {figures['shown']} shown by echoes or answers; {figures['retried']} needed a retry."]
    lines += [
        f"{each['action']}: {each['wire_ms']:.2f} ms is the least that the line allows."
        for each in (figures["on"], figures["off"])
        if each["wire_ms"] is not None
    ]
    lines += [
        f"{each['units']} units answered {each['commands']} commands."
        for each in figures["units_answering"]
        if each["units"] is not None
    ]
    if figures["tapped"] is not None:
        lines.append(
            f"The tap heard {figures['tapped']['whole']} of {figures['tapped']['of']} messages whole."
        )
    return "".join(f"<p>{_t(line)}</p>" for line in lines) + spreads


def _plots(document: Document) -> str:
    cycles, limits = document["plan"]["completed"] or 1, {each["name"]: each for each in document["limits"]}
    tested = [each for each in document["commands"] if each["phase"] in ("on", "off")]

    def points(key: str) -> list[Point]:
        return [
            Point(each["cycle"], each[key], each["phase"] == "on") for each in tested if each[key] is not None
        ]

    lags = [Point(each["cycle"], lag, each["phase"] == "on") for each in tested for lag in each["lags_ms"]]
    wire = document["figures"]["on"]["wire_ms"]
    drawn = [
        (
            over_cycles(
                "Time of each command over the cycles",
                points("took_ms"),
                "ms",
                cycles=cycles,
                lines=[*_line(limits["took"], "limit"), *([("least the line allows", wire)] if wire else [])],
            ),
            "Time of each command. Circles: on. Squares: off.",
        ),
        (
            over_cycles(
                "Echo lag of each frame over the cycles",
                lags,
                "ms",
                cycles=cycles,
                lines=_line(limits["lag"], "limit"),
            ),
            "Echo lag of each frame. Circles: on. Squares: off.",
        ),
        (
            histogram(
                "Spread of the echo lags",
                [each.value for each in lags],
                "echo lag, ms",
                limits["lag"]["limit"],
            ),
            "How often which echo lag was.",
        ),
        (
            over_cycles(
                "Power-up time over the cycles",
                points("up_after_s"),
                "s",
                cycles=cycles,
                lines=_line(limits["power-up"], "limit"),
            ),
            "From the last byte of the on action until the unit said that it was up.",
        ),
    ]
    return "".join(
        f"<figure>{plot}<figcaption>{_t(words)}</figcaption></figure>" for plot, words in drawn if plot
    )


def _line(limit: Document, words: str) -> list[tuple[str, float]]:
    return [] if limit["limit"] is None else [(words, float(limit["limit"]))]


def _waveforms(document: Document, pictures: Sequence[str]) -> str:
    parts = []
    for each, picture in zip(document["waveforms"], pictures, strict=True):
        facts = [f"{each['messages']} messages", f"compared with {each['original']}"]
        if each["bit_time_ratio"] is not None:
            facts.append(f"bit time {100 * (each['bit_time_ratio'] - 1):+.3f} %")
        if each["worst_edge_bits"] is not None:
            facts.append(f"worst edge {each['worst_edge_bits']:+.3f} bit times")
        facts += [*each["reasons"], *each["notes"]]
        word = "✓ as it should be" if each["matches"] else "✗ differs"
        parts.append(
            f'<figure class="waveform"><p><b>{_t(each["action"])}</b>, {_t(each["file"])}: {word}; '
            f"{_t('; '.join(facts))}</p>{_inline(picture)}</figure>"
        )
    return "".join(parts)


def _inline(svg: str) -> str:
    """An SVG document of ours as it may stand within a page."""
    return svg[svg.index("<svg") :]


def _tested(document: Document) -> str:
    profile, adapter, plan = document["profile"], document["adapter"], document["plan"]
    simulated = " (simulated)" if adapter["simulated"] else ""
    latency = "not known"
    if adapter["latency_ms"] is not None:
        latency = f"{adapter['latency_ms']:.2f} ms, and up to {adapter['jitter_ms'] or 0:.2f} ms more"
    rows = [
        ("Profile", f"{profile['name']}, {profile['title']}"),
        ("its SHA-256", profile["sha256"]),
        ("Line", profile["line"]),
        ("Confirmation", f"{profile['confirm']}, time-out {profile['timeout_ms']:g} ms"),
        ("Adapter", f"{adapter['port']}{simulated}"),
        ("its latency", latency),
        (
            "Wiring of the bus",
            f"{adapter['topology']}, {adapter['units_expected'] or 'unknown number of'} units",
        ),
        ("On", _said(plan["on"])),
        ("Off", _said(plan["off"])),
        (
            "Cycles",
            f"{plan['completed']} of {plan['cycles']}: {plan['on_for_s']:g} s on, {plan['off_for_s']:g} off",
        ),
        ("Found, left", f"{document['found']}; {document['left']}"),
        ("Linewarden", document["program"]["version"] or "unknown version"),
    ]
    if plan["tap"]:
        rows.append(("Tap", f"bus {plan['tap']}"))
    if plan["ready"]:
        rows.append(("Up when", f"event {plan['ready']}"))
    return f"<dl>{''.join(f'<dt>{_t(name)}</dt><dd>{_t(text)}</dd>' for name, text in rows)}</dl>"


def _said(action: Document) -> str:
    given = " ".join(f"{name}={value}" for name, value in action["parameters"].items())
    return (
        f"{action['action']}{' ' + given if given else ''}{': ' + action['bytes'] if action['bytes'] else ''}"
    )


def _notes(document: Document) -> str:
    notes = [*document["plan"]["because"], *document["notes"]]
    if document["plan"]["also_switched"]:
        others = ", ".join(document["plan"]["also_switched"])
        notes.append(f"switched with it, because the actions carry no address: {others}")
    if document["missed_records"]:
        notes.append(f"{document['missed_records']} records came faster than they could be read")
    return f"<ul>{''.join(f'<li>{_t(note)}</li>' for note in notes)}</ul>" if notes else ""


def _commands(document: Document) -> str:
    commands = document["commands"]
    rows = [
        [
            _t(each["at"]),
            _number(each["cycle"], 0),
            _t(each["action"]),
            _t(f"{each['outcome']}{' (' + each['reason'] + ')' if each['reason'] else ''}"),
            _number(each["attempts"], 0),
            _number(each["took_ms"]),
        ]
        for each in commands[:_MOST_COMMANDS]
    ]
    if not rows:
        return ""
    more = len(commands) - len(rows)
    rest = f"<p>{more} more are in the JSON document.</p>" if more else ""
    table = _table(("when (UTC)", "cycle", "action", "outcome", "attempts", "time, ms"), rows)
    return f"<details><summary>Every command ({len(commands)})</summary>{table}{rest}</details>"
