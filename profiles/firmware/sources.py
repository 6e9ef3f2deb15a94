"""The files that differ from box to box: config.h, tables.c, chip.mk."""

from __future__ import annotations

from collections.abc import Sequence

from profiles.firmware.messages import Said
from profiles.firmware.plan import Plan
from profiles.firmware.request import AtStart

__all__ = ["chip_mk", "comment_text", "config_h", "tables_c"]

_START = {AtStart.NOTHING: "START_NOTHING", AtStart.OFF: "START_OFF", AtStart.FOLLOW: "START_FOLLOW"}


def comment_text(text: str) -> str:
    """A text that can stand in a C comment: it neither ends one nor begins one, and has one line."""
    plain = "".join(c if c.isprintable() or c == "\t" else " " for c in text)
    return plain.replace("*/", "* /").replace("/*", "/ *").rstrip().removesuffix("\\").rstrip()


def chip_mk(plan: Plan) -> str:
    """The compiler's name of the chip."""
    return f"MCU := {plan.chip.name}\n"


def config_h(plan: Plan) -> str:
    """All numbers that were worked out, each with its working."""
    request, timing, tick, chip = plan.request, plan.timing, plan.tick, plan.chip
    line, frame, confirm = plan.line, plan.frame, plan.request.profile.confirm
    ms = tick.seconds * 1000
    rate = f"{timing.clock:.0f} / {line.baud:g} = {timing.clock / line.baud:.2f}"

    def ticks(seconds: float) -> str:
        return f"{tick.count(seconds)}"

    rows: list[tuple[str, str, str] | str] = [
        "The clock and the line.",
        ("F_CPU", f"{timing.clock:.0f}UL", f"{request.clock_source.value}; fuses: README.md"),
        (
            "BIT_CYCLES",
            f"{timing.cycles}",
            f"{rate}: {timing.achieved:.2f} baud, {timing.error * 100:+.3f} %",
        ),
        ("DATA_BITS", f"{frame.data_bits}", line.frame),
        ("PARITY", f"'{frame.parity.value}'", ""),
        ("CELL_COUNT", f"{plan.cells}", "start bit, data bits, parity bit"),
        ("STOP_CYCLES", f"{plan.stop_cycles}", f"{frame.stop_bits:g} bit times"),
        ("MSB_FIRST", f"{int(line.bit_order == 'msb')}", ""),
        ("IDLE_HIGH", f"{int(line.idle == 'high')}", ""),
        (
            "DEAD_CYCLES",
            f"{plan.dead_cycles}",
            f"least idle line between two frames: {line.dead_time * 1000:g} ms",
        ),
        ("DEAD_TENTHS", f"{plan.dead_tenths}", "a longer one, in tenths of a millisecond"),
        "The echo: each frame is sent when the one before has come back.",
        ("WITH_ECHO", f"{int(plan.echo)}", ""),
        (
            "ECHO_TICKS",
            f"{tick.count(confirm.timeout_ms / 1000) + 1}",
            f"{confirm.timeout_ms:g} ms, and one begun",
        ),
        ("REST_TICKS", f"{plan.rest_ticks}", "two frames of a line at rest before a message"),
        ("BUSY_TRIES", f"{round(plan.patience * 1000)}", "milliseconds of patience"),
        f"The timer: a tick is {ms:g} ms.",
        ("TICK_CLOCK", f"{tick.select}", "selects the prescaler"),
        ("TICK_COMPARE", f"{tick.compare}", ""),
        (
            "DEBOUNCE_TICKS",
            f"{tick.count(request.debounce) + 1}",
            f"{request.debounce * 1000:g} ms, one begun",
        ),
        ("DELAY_ON_TICKS", ticks(request.delay_on) + "UL", f"{request.delay_on:g} s"),
        ("DELAY_OFF_TICKS", ticks(request.delay_off) + "UL", f"{request.delay_off:g} s"),
        ("HOLD_ON_TICKS", ticks(plan.on.hold_off) + "UL", f"{plan.on.hold_off:g} s of quiet after on"),
        ("HOLD_OFF_TICKS", ticks(plan.off.hold_off) + "UL", f"{plan.off.hold_off:g} s of quiet after off"),
        ("HOLD_START_TICKS", ticks(max(plan.on.hold_off, plan.off.hold_off)) + "UL", "the longer one"),
        ("BLINK_TICKS", ticks(0.2), "0.2 s"),
        "After a reset.",
        ("START_NOTHING", "0", "say nothing until the trigger changes"),
        ("START_OFF", "1", "say off where the trigger is not there"),
        ("START_FOLLOW", "2", "say what the trigger asks for"),
        ("AT_START", _START[request.at_start], ""),
        f"Pins; the numbers are of the {chip.title}'s DIP case.",
        *_pin("LINE", chip.line.port, chip.line.bit, f"pin {chip.line.number}: the line, out", "PORT", "DDR"),
        *_pin("ECHO", chip.echo.port, chip.echo.bit, f"pin {chip.echo.number}: its echo, in", "PORT", "PIN"),
        *_pin(
            "TRIGGER",
            chip.trigger.port,
            chip.trigger.bit,
            f"pin {chip.trigger.number}: the trigger, in",
            "PORT",
            "PIN",
        ),
        ("TRIGGER_HIGH", f"{int(request.trigger_high)}", "the pin's level while the trigger is there"),
        ("TRIGGER_PULL_UP", f"{int(not request.trigger_high)}", "the chip's own resistor to its supply"),
        *_pin("LED", chip.lamp.port, chip.lamp.bit, f"pin {chip.lamp.number}: the lamp, out", "PORT", "DDR"),
    ]
    text = [
        "/* What this box was made with. */",
        "#ifndef CONFIG_H",
    ]
    text.append("#define CONFIG_H")
    for row in rows:
        if isinstance(row, str):
            text += ["", f"/* {row} */"]
        else:
            name, value, note = row
            text.append(f"#define {name} {value}" + (f" /* {comment_text(note)} */" if note else ""))
    return "\n".join([*text, "", "#endif", ""])


def _pin(name: str, port: str, bit: int, note: str, *registers: str) -> list[tuple[str, str, str]]:
    rows = [(f"{name}_{register}", f"{register}{port}", "") for register in registers]
    return [*rows, (f"{name}_BIT", f"{bit}", note)]


def tables_c(plan: Plan) -> str:
    """The messages, with what the profile says of them."""
    profile = plan.request.profile.profile
    text = [f"/* What the box says, from the profile {profile.name} ({comment_text(profile.title)})."]
    text += [f" *     {comment_text(line)}" for line in profile.notes.splitlines() if line.strip()]
    text += [" */", "#include <avr/pgmspace.h>", "", '#include "tables.h"', ""]
    for name, said in (("on", plan.on), ("off", plan.off)):
        text += _message(name, said)
    return "\n".join(text)


def _message(name: str, said: Said) -> Sequence[str]:
    given = "".join(f" {key}={value}" for key, value in said.parameters.items())
    head = [f"/* {name}: {comment_text(said.title)} ({comment_text(said.action + given)})"]
    if said.excerpt:
        head += [" *", " * The profile says:"]
        head += [f" *     {comment_text(line)}".rstrip() for line in said.excerpt]
    text = [*head, " */", f"static const uint8_t {name}_bytes[] PROGMEM = {{"]
    for byte, note in zip(said.data, said.notes, strict=True):
        text.append(f"    0x{byte:02X}," + (f" /* {comment_text(note)} */" if note else ""))
    text += ["};", ""]
    pauses = "0"
    if said.pauses:
        pauses = f"{name}_pauses"
        text.append(f"static const struct pause {pauses}[] PROGMEM = {{")
        for pause in said.pauses:
            tenths = -(-round(pause.seconds * 1e7) // 1000)
            text.append(f"    {{{pause.before}, {tenths}}}, /* {pause.seconds * 1000:g} ms */")
        text += ["};", ""]
    message = f"{{{name}_bytes, {pauses}, sizeof {name}_bytes, {len(said.pauses)}}}"
    return [*text, f"const struct message message_{name} = {message};", ""]
