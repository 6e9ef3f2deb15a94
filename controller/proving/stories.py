"""All stories that a box is put through."""

from __future__ import annotations

from dataclasses import replace

from controller.proving.story import Ring, Story
from profiles.firmware.manifest import Box
from profiles.firmware.request import AtStart

__all__ = ["stories"]

_BLINKING = 4.0
"""Seconds in which a lamp blinks at least one whole round, and the next one."""
_BLINK = 0.2
_REST = 9.0
"""Seconds of sleep in which the watchdog wakes the box several times, and may not reset it."""
_OFF_RATE = 0.01
"""How far the units' clock is off in the stories about it."""


def stories(box: Box) -> list[Story]:
    """Every story for a box; the first is the one that it is made for."""
    whole = Ring() if box.echo else None
    told = [
        Story("on-off", "the trigger comes and goes", box, whole).free().trigger(True).trigger(False),
        Story("bounces", "its contact bounces", box, whole).free().bounce(True).bounce(False),
        Story("short-pulses", "pulses shorter than the debounce", box, whole).pulse().trigger(True).pulse(),
    ]
    quick = Story("gone-while-spoken", "it goes while the box still says on", box, whole)
    told.append(quick.gone_while_spoken())
    rest = Story("long-rest", "nothing happens for a long time", box, whole).wait(_REST)
    told.append(rest.trigger(True).wait(_REST).trigger(False))
    if box.delay_on_s > 4 * box.debounce_s:
        told.append(Story("on-taken-back", "it goes again within the delay", box, whole).taken_back())
    if box.delay_off_s > 4 * box.debounce_s:
        told.append(
            Story("off-taken-back", "it comes again within the delay", box, whole).trigger(True).taken_back()
        )
    told += _resets(box, whole)
    if box.echo:
        told += _rings(box)
    return told


def _resets(box: Box, whole: Ring | None) -> list[Story]:
    told = [Story("power-with-trigger", "power comes while the trigger is there", box, whole, there=True)]
    told[0].trigger(False).trigger(True)
    for cause, title in (
        ("power", "power fails and returns"),
        ("external", "the reset pin is pulled"),
        ("brown-out", "the supply dips"),
        ("watchdog", "the program hangs and the watchdog restarts it"),
    ):
        story = Story(f"reset-{cause}", title, box, whole)
        told.append(story.trigger(True).reset(cause).trigger(False).reset(cause))
    # The lamp says it until something else is said.
    told[-1].wait(_BLINKING)
    cut = Story("reset-while-speaking", "power fails in the middle of a message", box, whole)
    told.append(cut.reset_while_speaking("power").trigger(False))
    return told


def _rings(box: Box) -> list[Story]:
    told = []
    stop = box.line.format.stop_bits
    for name, ring, title in (
        ("ring-1", Ring(1, late=stop - 0.5), "one unit that repeats after its whole stop bit"),
        ("ring-3", Ring(3, late=0.2), "three units"),
        ("ring-fast", Ring(1, rate=1 + _OFF_RATE), "one unit whose clock is 1 % fast"),
        ("ring-slow", Ring(1, rate=1 - _OFF_RATE), "one unit whose clock is 1 % slow"),
    ):
        told.append(Story(name, f"a ring of {title}", box, ring).trigger(True))
    last = min(len(box.on.data), len(box.off.data))
    told.append(
        _failing("ring-open", "an open ring: no echo at all", box, Ring(fault="first", number=0), 1, 2)
    )
    if last > 1:
        only = Ring(fault="first", number=1)
        told.append(_failing("echo-stops", "an echo of the first frame only", box, only, 2, 3))
    for name, title, number in (
        ("echo-wrong", "a wrong echo of the first frame", 1),
        ("echo-wrong-last", "a wrong echo of a later frame", last),
    ):
        if number > 1 or name == "echo-wrong":
            told.append(_failing(name, title, box, Ring(fault="wrong", number=number), number, 4))
    told.append(_failing("line-stuck", "an echo input that is never at rest", box, None, 0, 5))
    return told


def _failing(name: str, title: str, box: Box, ring: Ring | None, frames: int, blinks: int) -> Story:
    """A story whose first message stops after so many frames; how it begins depends on what a start says."""
    there = box.at_start is not AtStart.NOTHING
    story = Story(name, title, box, ring, there=there, stuck=ring is None)
    if box.at_start is AtStart.FOLLOW:
        story.due[0] = replace(story.due[0], frames=frames)
    else:
        story.trigger(not there, frames=frames)
    story.blinks = blinks
    return story.wait(_BLINKING + 2 * _BLINK * blinks)
