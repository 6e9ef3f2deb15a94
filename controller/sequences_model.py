"""Sequences as they stand in a site's file. What needs the units to be judged is in sequences_rules.py."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from profiles.items import GivenValue, Name, Strict

__all__ = ["Conditions", "SequenceSpec", "StepSpec"]

Conditions = dict[Name, dict[Name, GivenValue]]
"""States that have to be so: unit -> state -> value."""


class StepSpec(Strict):
    """One step: an action, a wait, or a wait until states are so. Which one, its keys say."""

    unit: Name | None = None
    """A unit that is told ``action``."""
    group: Name | None = None
    """A group whose units are told ``action``, one after another."""
    action: Name | None = None
    parameters: dict[Name, GivenValue] = Field(default_factory=dict)
    stagger_s: float | None = Field(default=None, ge=0, le=600)
    """Seconds between two units of a group: gear draws most as it comes on."""
    only_if: Conditions = Field(default_factory=dict)
    """The action is left out where these are not so, and fails where one of them is not known."""
    wait_s: float | None = Field(default=None, gt=0, le=86_400)
    until: Conditions = Field(default_factory=dict)
    within_s: float = Field(default=30.0, gt=0, le=86_400)
    """Seconds after which waiting ``until`` counts as failed."""


class SequenceSpec(Strict):
    """A sequence: how a hall, or a part of it, comes up and goes down."""

    title: str = ""
    up: tuple[StepSpec, ...] = Field(
        min_length=1, strict=False, examples=['[{ unit = "mixer", action = "on" }]']
    )
    down: tuple[StepSpec, ...] | None = Field(default=None, min_length=1, strict=False)
    """Left out, it is ``up`` in reverse, each action replaced by the one that undoes it."""
    on_failure: Literal["stop", "go-on", "undo"] = "stop"
    """What becomes of ``up`` when a step fails."""
    down_on_failure: Literal["go-on", "stop"] = "go-on"
    """The same of ``down``: what takes energy away is not held up by a unit that does not answer."""
