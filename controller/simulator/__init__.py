"""A chain of units in real time, behind a pty or a sim:// URL, with faults."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from profiles.compiled import CompiledProfile

__all__ = ["register"]


def register(load: Callable[[str], CompiledProfile] | None = None) -> None:
    """Make ``sim://`` URLs known to pyserial; may be called again.

    Args:
        load: finds the profile that a URL names; left out, what was given before stays (at first:
            profiles/library.py, by name or path).
    """
    from controller.simulator.url import register as register_scheme

    register_scheme(load)
