"""All targets, by name."""

from __future__ import annotations

from tests.fuzz import captures, files, lines, local, mqtt, texts

__all__ = ["TARGETS"]

TARGETS = {
    target.name: target
    for module in (captures, files, lines, local, mqtt, texts)
    for target in module.TARGETS
}
