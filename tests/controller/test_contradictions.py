"""What a unit says of itself against what was presumed of it, or what it was just told."""

from __future__ import annotations

from pathlib import Path

from controller.contradictions import JUST_TOLD
from controller.records import Known, StateChange, StateValue
from controller.service import Controller
from tests.controller.halls import ADA, act, ring, running, state, until


async def texts(controller: Controller) -> list[str]:
    return [alert.text for alert in await controller.alerts()]


async def test_a_presumption_that_the_unit_contradicts_is_told_and_ends_by_itself(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        await controller.presume("mixer", "power", True, ADA)
        await controller.simulate("sound", "press 1 power-on")
        await until(lambda: controller._states.observed("mixer", {"power": True}))
        # It agrees: nothing is told.
        assert await texts(controller) == []
        # A knob that is turned is no contradiction.
        await controller.presume("mixer", "volume", 20, ADA)
        await controller.simulate("sound", "press 1 set-volume level=31")
        await until(lambda: controller._states.observed("mixer", {"volume": 31}))
        assert await texts(controller) == []
        await controller.simulate("sound", "press 1 mute-on")
        await until(lambda: controller._states.observed("mixer", {"mute": True}))
        await controller.presume("mixer", "mute", False, ADA)
        await controller.simulate("sound", "press 1 mute-off")
        await until(lambda: controller._states.observed("mixer", {"mute": False}))
        await controller.presume("mixer", "mute", False, ADA)
        assert await texts(controller) == []
        await controller.simulate("sound", "press 1 mute-on")
        await until(controller._alerts.standing)
        (alert,) = await controller.alerts()
        assert (alert.id, alert.target) == ("contradicted-mute-mixer", "mixer")
        assert alert.text == "mute was presumed to be false, and the unit says true"
        # It is told anew: the contradiction is over.
        await act(controller, "mixer", "mute-off")
        assert await texts(controller) == []


async def test_what_it_was_told_a_moment_ago_is_contradicted_and_what_it_was_told_long_ago_is_not(
    tmp_path: Path,
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        await act(controller, "mixer", "power-on")
        assert (await state(controller, "mixer", "power")).known is Known.CONFIRMED
        await controller.simulate("sound", "press 1 standby")
        await until(controller._alerts.standing)
        assert await texts(controller) == ["power was just told to be true, and the unit says false"]
        publish = controller._fanout.publish
        publish(StateChange("mixer", "power", StateValue(True, Known.CONFIRMED, 100.0)))
        assert await texts(controller) == []
        publish(StateChange("mixer", "power", StateValue(False, Known.OBSERVED, 100.1 + JUST_TOLD)))
        assert await texts(controller) == []
        # Nor is what follows a time in which nothing was known.
        publish(StateChange("mixer", "power", StateValue(True, Known.PRESUMED, 200.0)))
        publish(StateChange("mixer", "power", StateValue(None, Known.UNKNOWN, 201.0, True)))
        publish(StateChange("mixer", "power", StateValue(False, Known.OBSERVED, 202.0)))
        assert await texts(controller) == []
