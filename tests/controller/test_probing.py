"""Who answers: asked on each kind of bus, on a simulated port and on a real pty."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from controller.records import OriginKind, Reason, Result
from profiles.errors import NotKnown
from tests.controller.halls import chain_text, entry, ring, running, state, until
from tests.controller.lines import BLINDS, LIFT, OPEN, PORTS, RELAYS, RING, SUPPLY, TAP, line

ports = pytest.mark.parametrize("port", PORTS)

SLOW_RING = replace(RING, profile=chain_text(600))
"""At 600 baud a frame takes 17 ms: the number of units can be told however busy this computer is."""


@ports
async def test_one_probe_goes_round_a_ring(port: str, tmp_path: Path) -> None:
    async with line(SLOW_RING, port, tmp_path) as hall:
        report = await hall.api.probe("bus")
        assert report.outcome is not None
        assert (report.outcome.result, report.units_answering, report.units_expected) == (
            Result.CONFIRMED,
            3,
            3,
        )
        assert (report.text, report.look_at) == ("3 units answer, as expected", "")
        assert (report.latency_ms, report.answered) == (0.0, {})
        assert report.counters["actions"] == 1
        asked = (await entry(hall.api, report.outcome.command_id)).command
        assert (asked.unit, asked.action, asked.origin.kind) == ("bus", "ask-power", OriginKind.PROBE)


@ports
async def test_a_ring_that_is_cut_is_told_with_who_was_heard_since(port: str, tmp_path: Path) -> None:
    async with line(RING, port, tmp_path) as hall:
        await hall.order("cut 1")
        report = await hall.api.probe("bus")
        assert report.outcome is not None
        assert (report.outcome.reason, report.units_answering) == (Reason.NO_ECHO, None)
        assert "heard lately" not in report.text
        assert "cables" in report.look_at
        await hall.order("press 3 set-volume level=9")
        await until(lambda: hall.api._states.observed("unit-3", {"volume": 9}))
        report = await hall.api.probe("bus")
        assert re.search(r"heard lately: unit-3 \d+ s ago", report.text)


@ports
async def test_a_ring_with_another_number_of_units(port: str, tmp_path: Path) -> None:
    async with line(replace(SLOW_RING, site="units_expected = 5"), port, tmp_path) as hall:
        report = await hall.api.probe("bus")
        # On a machine that is busy with other work the lag may not let them be counted.
        assert report.units_answering in (3, None)
        if report.units_answering is not None:
            assert report.text == "3 of 5 units answer"
            assert "bypassed" in report.look_at


async def test_through_an_adapter_of_unknown_latency_nobody_counts(tmp_path: Path) -> None:
    async with line(replace(RING, layout={"latency_ms": 16}), "sim", tmp_path) as hall:
        report = await hall.api.probe("bus")
        assert report.outcome is not None
        assert (report.outcome.result, report.units_answering) == (Result.CONFIRMED, None)
        assert "can't be told" in report.text


@ports
async def test_each_unit_that_answers_is_asked(port: str, tmp_path: Path) -> None:
    async with line(LIFT, port, tmp_path) as hall:
        report = await hall.api.probe("bus")
        assert report.answered == {"unit-1": "answered", "unit-2": "answered"}
        assert (report.units_answering, report.text) == (2, "2 units answer, as expected")
        await hall.order("no-mains 2")
        report = await hall.api.probe("bus")
        assert report.answered == {"unit-1": "answered", "unit-2": "no-reply"}
        assert report.units_answering == 1
        assert report.text.startswith("1 of 2 units answer: ")
        # One that refuses the question is there.
        await hall.order("clear all")
        await hall.order("refuse 1 ask-position fault=2")
        report = await hall.api.probe("bus")
        assert report.answered == {"unit-1": "refused-by-unit", "unit-2": "answered"}
        assert report.units_answering == 2


@ports
async def test_a_probe_tells_states(port: str, tmp_path: Path) -> None:
    async with line(RELAYS, port, tmp_path) as hall:
        report = await hall.api.probe("bus")
        assert report.answered == {"unit-1": "answered", "unit-2": "answered"}
        assert (await state(hall.api, "unit-2", "relay-1")).value is False


@ports
async def test_the_only_unit_of_a_line_without_addresses_is_asked(port: str, tmp_path: Path) -> None:
    async with line(SUPPLY, port, tmp_path) as hall:
        report = await hall.api.probe("bus")
        assert report.answered == {"unit-1": "answered"}
        assert (report.units_answering, report.text) == (1, "1 unit answers, as expected")


@ports
async def test_where_nobody_answers_no_number_is_told(port: str, tmp_path: Path) -> None:
    async with line(BLINDS, port, tmp_path) as hall:
        report = await hall.api.probe("bus")
        assert report.outcome is not None
        assert (report.outcome.result, report.units_answering) == (Result.CONFIRMED, None)
        assert report.text.startswith("heard on the line as it was sent")


@ports
async def test_a_tap_is_not_probed(port: str, tmp_path: Path) -> None:
    async with line(TAP, port, tmp_path) as hall:
        report = await hall.api.probe("bus")
        assert report.outcome is not None
        assert (report.outcome.reason, hall.written()) == (Reason.LISTEN_ONLY, b"")
        assert "tap" in report.text


@ports
async def test_a_profile_without_a_harmless_action(port: str, tmp_path: Path) -> None:
    async with line(OPEN, port, tmp_path) as hall:
        with pytest.raises(NotKnown, match="no harmless probe"):
            await hall.api.probe("bus")
        with pytest.raises(NotKnown, match="no bus"):
            await hall.api.probe("nowhere")


async def test_a_probe_without_an_adapter_says_so(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    spec = loaded.site.buses["sound"]
    loaded.site.buses["sound"] = spec.model_copy(update={"port": str(tmp_path / "nothing")})
    async with running(loaded, tmp_path / "state") as controller:
        report = await controller.probe("sound")
        assert report.outcome is not None
        assert (report.text, report.outcome.reason) == ("the adapter is not there", Reason.LINK_LOST)
