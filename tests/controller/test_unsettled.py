"""What an action may change without anybody knowing to what is unknown after it, its last value beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.records import Known, Result, StateValue
from controller.service import Controller
from controller.understanding import Understanding
from profiles.checking import check_text
from profiles.model import Value
from tests.controller.halls import ADA, act, chain_text, compiled, ring, running, shipped, state

RELAYS = """
[site]
id = "larkfield-hall"
[buses.relays]
port = "sim://modbus-relay?units=1&topology=shared&hears_itself=false"
profile = "modbus-relay"
topology = "shared"
hears_itself = false
[units.box]
bus = "relays"
address = 1
"""


def known(found: StateValue) -> tuple[Value | None, Known, Value | None]:
    return found.value, found.known, found.last_known


async def test_a_step_leaves_the_volume_unknown_until_it_is_told(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        await act(controller, "mixer", "set-volume", level=20)
        await act(controller, "mixer", "power-on")
        assert known(await state(controller, "mixer", "volume")) == (20, Known.CONFIRMED, 20)
        assert (await act(controller, "mixer", "volume-up")).result is Result.CONFIRMED
        assert known(await state(controller, "mixer", "volume")) == (None, Known.UNKNOWN, 20)
        assert known(await state(controller, "mixer", "power")) == (True, Known.CONFIRMED, True)
        await act(controller, "mixer", "set-volume", level=21)
        assert known(await state(controller, "mixer", "volume")) == (21, Known.CONFIRMED, 21)


@pytest.mark.slow
async def test_a_step_that_may_have_gone_out_does_so_too_and_one_that_did_not_does_not(
    tmp_path: Path,
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        await act(controller, "mixer", "set-volume", level=20)
        await controller.simulate("sound", "cut 2")
        assert (await act(controller, "mixer", "volume-up")).echoed == 0
        assert known(await state(controller, "mixer", "volume")) == (20, Known.CONFIRMED, 20)
        await controller.simulate("sound", "clear all")
        await controller.simulate("sound", "drop 4")  # the last frame is out, and does not come back
        assert (await act(controller, "mixer", "volume-up")).result is Result.FAILED
        assert known(await state(controller, "mixer", "volume")) == (None, Known.UNKNOWN, 20)


def test_what_somebody_else_steps_is_in_doubt_as_well() -> None:
    understanding = Understanding(compiled(shipped("pellgate-chain")), {1: "mixer"})
    ((_, found),) = understanding.heard(bytes((0xA5, 1, 0x21, 0x22)), 0.0)
    assert (found.text, found.states, found.doubted) == ("volume-up → mixer", (), (("mixer", ("volume",)),))


async def relays(controller: Controller) -> list[Value | None]:
    return [(await state(controller, "box", f"relay-{n}")).value for n in (1, 2, 3, 4)]


async def test_the_same_bytes_do_the_same_whatever_the_action_is_called(tmp_path: Path) -> None:
    """A coil that has a relay's name of its own says so (Modbus function 5 on coils 0 to 3)."""
    async with running(ring(tmp_path, RELAYS), tmp_path / "state") as controller:
        await act(controller, "box", "relays-off")
        assert (await act(controller, "box", "coil-on", coil=1)).result is Result.ANSWERED
        assert await relays(controller) == [False, True, False, False]
        assert (await state(controller, "box", "relay-2")).known is Known.OBSERVED
        await act(controller, "box", "coil-on", coil=17)
        assert await relays(controller) == [False, True, False, False]
        await act(controller, "box", "coil-off", coil=1)
        assert await relays(controller) == [False, False, False, False]


@pytest.mark.parametrize(
    ("unsettles", "what"),
    [('["volum"]', "no state is called 'volum'"), ('["volume"]', "volume is in `sets` as well")],
)
def test_what_is_no_state_or_is_set_anyway_is_a_fault(unsettles: str, what: str) -> None:
    text = chain_text().replace(
        'sets = { volume = "level" }\n', f'sets = {{ volume = "level" }}\nunsettles = {unsettles}\n', 1
    )
    (fault,) = check_text(text, "chain.toml").errors
    assert what in fault.what
    assert fault.line == text[: text.index(unsettles)].count("\n") + 1


async def test_saying_it_by_hand_settles_it(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        await act(controller, "mixer", "volume-down")
        await controller.presume("mixer", "volume", 19, ADA)
        assert known(await state(controller, "mixer", "volume")) == (19, Known.PRESUMED, 19)
