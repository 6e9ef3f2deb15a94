"""Limits of a qualification that say nothing of how busy the machine is that the tests run on."""

from __future__ import annotations

__all__ = ["A_BUSY_MACHINE", "LATE_ECHOES"]

LATE_ECHOES = ("--limit", "retried=100", "--limit", "lag=1000", "--limit", "units-missing=100")
"""What an echo that comes late may bring about: a retry, a long lag, a unit that seems to be missing."""
A_BUSY_MACHINE = (*LATE_ECHOES, "--limit", "failures=100", "--limit", "shown=0")
"""The same, and commands that fail because three echoes in a row came too late."""
