"""box.json: what a box is to do, beside its source, for whoever proves it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from profiles.errors import FileUnreadable
from profiles.firmware.plan import Plan
from profiles.firmware.request import AtStart
from profiles.frames import FrameFormat
from profiles.storage import read_text

__all__ = ["NAME", "Box", "Line", "PauseAt", "PinAt", "Tells", "box_of", "read_box"]

NAME = "box.json"
FORMAT = 1
_HEX = r"^([0-9A-F]{2}( |$))+$"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PinAt(_Part):
    """A pin of the chip."""

    port: Annotated[str, Field(pattern=r"^[A-L]$")]
    bit: Annotated[int, Field(ge=0, le=7)]


class Line(_Part):
    """The line's settings."""

    baud: Annotated[float, Field(gt=0)]
    frame: str
    bit_order: Literal["lsb", "msb"]
    idle: Literal["high", "low"]
    dead_time_s: Annotated[float, Field(ge=0)]

    @property
    def format(self) -> FrameFormat:
        """The frame's format, read."""
        return FrameFormat.parse(self.frame)


class PauseAt(_Part):
    """Idle line in a message."""

    before: Annotated[int, Field(ge=0)]
    seconds: Annotated[float, Field(gt=0)]


class Tells(_Part):
    """A message."""

    action: str
    title: str
    hex: Annotated[str, Field(pattern=_HEX)]
    evidence: Annotated[str, Field(pattern=_HEX)] | None
    pauses: tuple[PauseAt, ...]
    hold_off_s: float

    @property
    def data(self) -> bytes:
        """The bytes."""
        return bytes.fromhex(self.hex)


class Box(_Part):
    """A box, as its source was written."""

    format: Literal[1]
    profile: str
    chip: str
    clock_hz: Annotated[int, Field(gt=0)]
    clock_tolerance: float
    bit_cycles: Annotated[int, Field(gt=0)]
    line: Line
    on: Tells
    off: Tells
    echo: bool
    echo_timeout_s: float
    rest_s: float
    """For how long the echo input is watched before a message."""
    patience_s: float
    """For how long it is waited for an echo input that is not at rest."""
    trigger_high: bool
    debounce_s: float
    delay_on_s: float
    delay_off_s: float
    at_start: AtStart
    tick_s: Annotated[float, Field(gt=0)]
    pins: dict[Literal["line", "echo", "trigger", "lamp"], PinAt]


def box_of(plan: Plan) -> Box:
    """What stands in box.json."""
    request, chip, line = plan.request, plan.chip, plan.line
    tells = {}
    for name, said in (("on", plan.on), ("off", plan.off)):
        tells[name] = Tells(
            action=said.action,
            title=said.title,
            hex=said.data.hex(" ").upper(),
            evidence=said.evidence.hex(" ").upper() if said.evidence is not None else None,
            pauses=tuple(PauseAt(before=p.before, seconds=p.seconds) for p in said.pauses),
            hold_off_s=said.hold_off,
        )
    return Box(
        format=FORMAT,
        profile=request.profile.profile.name,
        chip=chip.name,
        clock_hz=int(plan.timing.clock),
        clock_tolerance=plan.timing.tolerance,
        bit_cycles=plan.timing.cycles,
        line=Line(
            baud=line.baud,
            frame=line.frame,
            bit_order=line.bit_order,
            idle=line.idle,
            dead_time_s=line.dead_time,
        ),
        on=tells["on"],
        off=tells["off"],
        echo=plan.echo,
        echo_timeout_s=request.profile.confirm.timeout_ms / 1000,
        rest_s=plan.rest_ticks * plan.tick.seconds if plan.echo else 0.0,
        patience_s=plan.patience if plan.echo else 0.0,
        trigger_high=request.trigger_high,
        debounce_s=request.debounce,
        delay_on_s=request.delay_on,
        delay_off_s=request.delay_off,
        at_start=request.at_start,
        tick_s=plan.tick.seconds,
        pins={
            "line": PinAt(port=chip.line.port, bit=chip.line.bit),
            "echo": PinAt(port=chip.echo.port, bit=chip.echo.bit),
            "trigger": PinAt(port=chip.trigger.port, bit=chip.trigger.bit),
            "lamp": PinAt(port=chip.lamp.port, bit=chip.lamp.bit),
        },
    )


def read_box(folder: Path) -> Box:
    """What a folder's box is to do.

    Raises:
        FileUnreadable: there is no box in the folder, or its file is damaged.
    """
    path = folder / NAME
    text = read_text(path)
    try:
        return Box.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(step) for step in first["loc"]) or "the file"
        raise FileUnreadable(
            f"is no description of a box: {key}: {first['msg'].lower()}",
            where=str(path),
            todo="write the box again with `linewarden firmware`",
        ) from None
