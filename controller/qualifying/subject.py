"""What is tested and with what: the version of the profile, the line, the adapter, who is there before."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version

from controller.api import ControllerApi, SiteView
from controller.qualifying.plan import QualifyPlan
from controller.qualifying.trials import Subject
from profiles.checking import load_profile
from profiles.compiled import CompiledProfile
from profiles.errors import LinewardenError
from profiles.model import Value

__all__ = ["own_version", "subject_of"]


def own_version() -> str:
    """Of this program; empty where it runs without being installed."""
    with contextlib.suppress(PackageNotFoundError):
        return version("linewarden")
    return ""


async def subject_of(api: ControllerApi, site: SiteView, plan: QualifyPlan) -> tuple[Subject, list[str]]:
    """Gather it. Where the profile names a harmless probe it is sent once: it tells the adapter's latency.

    Returns:
        The subject, and notes on what could not be had.
    """
    bus = next(each for each in site.buses if each.id == plan.bus)
    unit = next(each for each in site.units if each.id == plan.unit)
    text = await api.profile(bus.profile)
    compiled = await asyncio.to_thread(load_profile, text.text, text.path)
    notes = []
    latency = jitter = hop = None
    if compiled.profile.probe is not None:
        try:
            report = await api.probe(plan.bus)
        except LinewardenError as error:
            notes.append(f"who answers before the run could not be asked: {error}")
        else:
            latency, jitter, hop = report.latency_ms, report.jitter_ms, report.hop_bits
            notes.append(f"before the run: {report.text}")
    line = compiled.line
    on = _bytes(compiled, plan.on, plan.on_parameters, unit.address)
    off = _bytes(compiled, plan.off, plan.off_parameters, unit.address)
    subject = Subject(
        site.title,
        plan.unit,
        unit.title,
        plan.bus,
        compiled.profile.name,
        compiled.profile.title,
        hashlib.sha256(text.text.encode("utf-8", "surrogatepass")).hexdigest(),
        text.revision,
        f"{line.baud:g} {line.frame}, {line.bit_order} first, idle {line.idle}",
        bus.topology,
        bus.units_expected,
        bus.port,
        bus.simulated,
        compiled.confirm.method.value,
        compiled.confirm.timeout_ms,
        latency,
        jitter,
        hop,
        on,
        off,
        own_version(),
    )
    return subject, notes


def _bytes(
    compiled: CompiledProfile, action: str, parameters: Mapping[str, Value], address: int | None
) -> bytes:
    """What the action says, where it says the same each time; else nothing."""
    with contextlib.suppress(LinewardenError):  # a counter has no value before it is sent
        found = compiled.action(action)
        return found.message(found.parameters(parameters), address=address).data
    return b""
