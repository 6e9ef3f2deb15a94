"""What was found in a profile's text, as lines. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from controller.api import SiteView
from profiles.checking import Checked
from profiles.compiled import CompiledProfile
from profiles.errors import Fault
from tui.dry_run import DryRun, dry_run, matched, only_action, only_observation
from tui.looks import Looks
from tui.painting import fit, folded
from tui.profile_places import Part
from tui.telling import hexadecimal, plain

__all__ = ["bytes_lines", "difference_text", "fault_text", "fault_words"]


def fault_words(checked: Checked) -> str:
    """How many faults there are."""
    errors = len(checked.errors)
    warnings = len(checked.faults) - errors
    words = []
    if errors:
        words.append(f"✗ {errors} fault{'s' * (errors > 1)}")
    if warnings:
        words.append(f"! {warnings} warning{'s' * (warnings > 1)}")
    return ", ".join(words) or "✓ no faults"


def fault_text(fault: Fault, looks: Looks) -> Text:
    """A fault with its line, what is wrong, and what would be right."""
    text = Text().append("! " if fault.warning else "✗ ", looks.care if fault.warning else looks.wrong)
    text.append(f"{fault.line or ''}  ", looks.strong)
    text.append(plain(f"{fault.key}: {fault.what}" if fault.key else fault.what))
    if fault.todo:
        text.append(plain(f"; {fault.todo}"), looks.quiet)
    return text


def bytes_lines(
    checked: Checked | None, text: str, part: Part, site: SiteView, key: str, width: int, looks: Looks
) -> list[Text]:
    """What the part that the cursor is in would send, or is heard as.

    Args:
        checked: what became of the text; None while that is not known yet.
        text: the text.
        part: what the cursor is in.
        site: the site, for the first unit that the profile speaks to.
        key: the profile's name in the site.
        width: cells.
        looks: the styles.
    """
    if checked is None:
        return [Text(" looking ...", looks.quiet)]
    profile = checked.profile
    if profile is None and part.kind == "actions":
        profile = only_action(text, part.name)
    elif profile is None and part.kind == "observations":
        profile, part = only_observation(text, part.index), Part(part.kind)
    if profile is None:
        return _quietly("bytes show here when the faults are mended", width, looks)
    told = _told(profile, part, site, key)
    if told is None:
        return _quietly(_line_words(profile, part), width, looks)
    verb = " would send" if told.data else ""
    lines = [Text(fit(f" {told.head}{verb}", width), looks.strong)]
    if told.data:
        lines.append(Text(fit(f"   {hexadecimal(told.data)}", width), looks.well))
    return lines + _quietly("; ".join(told.words), width, looks, indent=3, rows=4 - len(lines))


def _quietly(words: str, width: int, looks: Looks, *, indent: int = 1, rows: int = 3) -> list[Text]:
    """A hint, over several rows where it stands in a narrow column."""
    return [Text(" " * indent + row, looks.quiet) for row in folded(words, max(8, width - indent), rows)]


def _told(profile: CompiledProfile, part: Part, site: SiteView, key: str) -> DryRun | None:
    name = part.name
    if part.kind == "evidence" and part.index < len(profile.profile.evidence):
        name = profile.profile.evidence[part.index].action
    if part.kind in ("actions", "evidence") and name in profile.actions:
        address, unit = _first_unit(profile, site, key)
        return dry_run(profile.actions[name], address, unit)
    return matched(profile, part.index) if part.kind == "observations" else None


def _first_unit(profile: CompiledProfile, site: SiteView, key: str) -> tuple[int | None, str]:
    buses = {bus.id for bus in site.buses if bus.profile == key}
    unit = next((unit for unit in site.units if unit.bus in buses), None)
    if unit is not None:
        return unit.address, plain(unit.title)
    address = profile.profile.address
    return (address.range[0] if address else None), "a unit"


def _line_words(profile: CompiledProfile, part: Part) -> str:
    if part.kind == "line":
        line = profile.line
        took = f"{line.frame_time * 1000:.3g} ms"
        return f"{line.baud:g} baud, {line.frame}, {line.bit_order} first: a frame takes {took}"
    return "go into an action or an observation: its bytes show here"


def difference_text(lines: Sequence[str], looks: Looks) -> Text:
    """A unified diff, coloured; its signs say the same."""
    text = Text()
    for line in lines:
        style = {"+": looks.well, "-": looks.wrong, "@": looks.quiet}.get(line[:1], "")
        if line.startswith(("+++", "---")):
            style = looks.strong
        text.append(plain(line) + "\n", style)
    if not lines:
        text.append("no difference\n", looks.quiet)
    return text
