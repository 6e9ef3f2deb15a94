"""The README.md of a box: pins, fuses, cautions, what it does and when; the text itself is in templates/."""

from __future__ import annotations

from string import Template

from profiles.firmware.chips import ClockSource, Pin
from profiles.firmware.messages import Said
from profiles.firmware.plan import Plan
from profiles.firmware.request import AtStart

__all__ = ["readme"]

_START = {
    AtStart.NOTHING: "says nothing after a reset, whatever has caused it: the level is taken as it is found.",
    AtStart.OFF: "says off after a reset where the trigger is not there, and never on.",
    AtStart.FOLLOW: "says after a reset what the trigger asks. **It switches gear on when power returns.**",
}
_LAMP = """\
| lit | it is speaking | |
| 1 blink, again and again | the watchdog restarted it: the program hung | supply, interference |"""
_LAMP_ECHO = """
| 2 blinks | not even the first frame came back: the ring is open | cables, gear without mains |
| 3 blinks | the first frames came back, then no more | the last unit that obeyed, and the one behind it |
| 4 blinks | something else came back | noise, another unit speaking, line settings |
| 5 blinks | the line was never at rest, so nothing was sent | a stuck unit, levels, the echo's wire |"""
_CALIBRATE = """\
The chip's own oscillator may be 10 % off as it leaves the factory.
**Calibrate it to 1 % at the supply and temperature of its place** (OSCCAL, the maker's application note), or
take a crystal."""
_USE = """\
Use a {kind} of that frequency: the chip's own
oscillator may be 10 % off as it leaves the factory, which is too much for any serial line."""
_SHOWN = 16
_CRYSTAL_START = 16384
"""Cycles from waking to the first instruction with a crystal and these fuses; from memory of the sheets."""


def readme(plan: Plan, template: str) -> str:
    """The text.

    Args:
        plan: what is written.
        template: the text with its places to fill in.
    """
    request, chip, line = plan.request, plan.chip, plan.line
    profile = request.profile.profile
    fuses = chip.fuses(plan.timing.clock, request.clock_source)
    crystal = request.clock_source is ClockSource.CRYSTAL
    return Template(template).substitute(
        title=profile.title or profile.name,
        profile=profile.name,
        messages="\n".join(
            _row(when, said, request.debounce, delay)
            for when, said, delay in (
                ("the trigger comes", plan.on, request.delay_on),
                ("the trigger goes", plan.off, request.delay_off),
            )
        ),
        line=f"{line.baud:g} baud, {line.frame}, {line.bit_order} first, idle {line.idle}",
        at_start=_START[request.at_start],
        echo=_echo(plan),
        lamp=_LAMP + (_LAMP_ECHO if plan.echo else ""),
        chip=chip.title,
        mcu=chip.name,
        case=chip.pins,
        pins="\n".join(_pins(plan)),
        clock=_clock(plan),
        fuses=" ".join(
            f"-U {name}:w:0x{value:02X}:m"
            for name, value in (("lfuse", fuses.low), ("hfuse", fuses.high), ("efuse", fuses.extended))
        ),
        wake=f"{_CRYSTAL_START / plan.timing.clock * 1000:.1f} ms" if crystal else "not so here",
    )


def _row(when: str, said: Said, debounce: float, delay: float) -> str:
    given = "".join(f" {key}={value}" for key, value in said.parameters.items())
    shown = said.data[:_SHOWN].hex(" ").upper()
    if len(said.data) > _SHOWN:
        shown += f" ... ({len(said.data)} bytes)"
    return f"| {when} | {said.action}{given} | `{shown}` | {_time(debounce)} steady, {_time(delay)} delay |"


def _time(seconds: float) -> str:
    return f"{seconds * 1000:g} ms" if seconds < 1 else f"{seconds:g} s"


def _echo(plan: Plan) -> str:
    if not plan.echo:
        return "There is no echo input: nothing tells whether anybody heard it."
    wait = plan.request.profile.confirm.timeout_ms
    return (
        "Each frame is sent when the one before has come back round the ring. If it does not within "
        f"{wait:g} ms,\nor something else comes, the box stops there and blinks; the next change of the "
        "trigger tries again."
    )


def _pins(plan: Plan) -> list[str]:
    chip, request = plan.chip, plan.request
    level = "high" if request.trigger_high else "low (the chip pulls it up itself)"
    idle = plan.line.idle
    pull = "" if idle == "high" else "; 10 kΩ down to ground"
    rest = "up to the supply" if idle == "high" else "down to ground"
    rows = [
        ("line, out", chip.line, f"idle {idle}; 10 kΩ {rest} keep it at rest while the chip starts"),
        ("trigger, in", chip.trigger, f"{level} while the trigger is there"),
        ("lamp, out", chip.lamp, "LED with 1 kΩ to ground"),
    ]
    if plan.echo:
        rows.insert(1, ("echo, in", chip.echo, f"idle {idle}, from the ring's last unit{pull}"))
    first, second = chip.crystal
    if request.clock_source is ClockSource.CRYSTAL:
        rows.append(("crystal", first, f"the other end at {_named(second)}; capacitors as its maker says"))
    elif request.clock_source is ClockSource.EXTERNAL:
        rows.append(("clock, in", first, f"{plan.timing.clock / 1e6:g} MHz"))
    supply, ground = (" and ".join(str(number) for number in numbers) for numbers in chip.supply)
    least = "4.5" if plan.timing.clock > chip.clock_at_low_supply else "2.7"
    return [
        *(f"| {what} | {_named(pin)} | {note} |" for what, pin, note in rows),
        f"| supply | {supply} | {least} to 5.5 V, 100 nF at the chip |",
        f"| ground | {ground} | |",
    ]


def _named(pin: Pin) -> str:
    return f"{pin.number} ({pin.name})"


def _clock(plan: Plan) -> str:
    timing, source = plan.timing, plan.request.clock_source
    text = (
        f"A bit is {timing.cycles} cycles of {timing.clock / 1e6:g} MHz: {timing.achieved:.2f} baud, "
        f"{timing.error * 100:+.3f} % off;\nwith the clock's own {timing.tolerance * 100:g} % at most "
        f"{timing.worst * 100:.2f} %. "
    )
    if source is ClockSource.CALIBRATED:
        return text + _CALIBRATE
    kind = "crystal" if source is ClockSource.CRYSTAL else "clock signal"
    return text + _USE.format(kind=kind)
