"""The units screen as lines: what is wrong first, nothing by colour alone, nothing that steers a terminal."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from controller.api import ActionView, BusView, SiteView, UnitView
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Known,
    LinkState,
    Lock,
    Outcome,
    Reason,
    Record,
    Result,
    StateChange,
    StateValue,
)
from tui.looks import Looks
from tui.model import HallModel, on_order, power_action
from tui.painting import (
    Painted,
    alert_lines,
    detail_lines,
    fit,
    folded,
    group_lines,
    group_words,
    hall_lines,
    top_line,
)
from tui.screens.help import folded_help
from tui.telling import plain

LOOKS = Looks(dark=True)


def unit(name: str, bus: str = "hall", title: str = "") -> UnitView:
    power: dict[str, object] = {"type": "boolean", "set": ["true=power-on", "false=standby"]}
    actions = (
        ActionView("power-on", "Power on", "energise"),
        ActionView("standby", "Standby", "de-energise"),
    )
    return UnitView(name, title or name, bus, 1, "other", "", actions, {"power": power})  # type: ignore[dict-item]  # -- plain values


def hall(units: int = 3, topology: str = "ring") -> HallModel:
    views = tuple(unit(f"amp-{number}", title=f"Amplifier {number}") for number in range(1, units + 1))
    bus = BusView("hall", "sim://x", "pellgate-chain", topology, units, True, 4800.0)
    model = HallModel(SiteView("larkfield-hall", "Larkfield Hall", (bus,), views))
    model.apply([BusStatus("hall", LinkState.UP, 0.0, units, units, 8.4)])
    model.apply(StateChange(view.id, "power", StateValue(None, Known.UNKNOWN, 0.0)) for view in views)
    return model


def painted(model: HallModel, width: int = 80, selected: int | None = None) -> list[str]:
    return [line.text.plain for line in hall_lines(model.buses(), width, selected, LOOKS)]


def test_a_whole_ring_comes_back_to_the_adapter() -> None:
    lines = painted(hall())
    assert "ring of 3, all answer" in lines[0]
    assert lines[-1].strip() == "└─ back to the adapter"
    assert [line[:7] for line in lines[1:4]] == [" ├  1 A", " ├  2 A", " ├  3 A"]


def test_a_broken_ring_is_drawn_broken_and_says_so_in_words() -> None:
    model = hall()
    model.apply([Alert("chain-hall", "hall", 0.0, "nothing came back", "the cables")])
    lines = painted(model)
    assert lines[-1].strip() == "╳ the ring is open"
    assert all("╎" in line for line in lines[1:4])
    assert "all answer" not in lines[0]
    model.apply([Alert("chain-hall", "hall", 0.0, "nothing came back", over=True)])
    assert painted(model)[-1].strip() == "└─ back to the adapter"


def test_a_lost_adapter_is_told_where_its_bus_is() -> None:
    model = hall()
    model.apply([BusStatus("hall", LinkState.DOWN, 0.0, text="unplugged")])
    assert "adapter is not there: unplugged" in painted(model)[0]


@pytest.mark.parametrize(
    ("known", "value", "told"),
    [
        (Known.OBSERVED, True, "power on ● observed"),
        (Known.CONFIRMED, True, "power on ◉ confirmed"),
        (Known.PRESUMED, False, "power off ◌ presumed"),
        (Known.UNKNOWN, None, "power ? unknown, was on"),
    ],
)
def test_how_a_state_is_known_is_a_symbol_and_a_word(known: Known, value: bool | None, told: str) -> None:
    model = hall(1)
    model.apply([StateChange("amp-1", "power", StateValue(value, known, 0.0, True))])
    assert told in painted(model)[1]


def test_a_lock_says_who_since_when_and_why() -> None:
    model = hall()
    lock = Lock("l1", "amp-2", "Ada", "new fuse", 0.0)
    model.apply([lock])
    assert any("locked by Ada" in line and "new fuse" in line for line in painted(model))
    assert "1 lock" in top_line(model, 0.0, 80, LOOKS).plain
    model.apply([replace(lock, over=True)])
    assert not any("locked" in line for line in painted(model))


def test_a_bus_under_lock_holds_all_its_units() -> None:
    model = hall()
    model.apply([Lock("l1", "hall", "Ada", "cable", 0.0)])
    assert sum("locked by Ada" in line for line in painted(model)) == 3


def test_alerts_say_what_since_when_and_what_to_look_at() -> None:
    model = hall()
    model.apply([Alert("chain-hall", "hall", 0.0, "nothing came back", "the cables")])
    first, second = alert_lines(model.standing_alerts, 80, LOOKS)
    assert first.plain.startswith(" ! hall  nothing came back")
    assert "since" in first.plain
    assert second.plain.strip() == "look at the cables"


def test_the_last_outcome_is_told_with_its_reason() -> None:
    model = hall()
    command = Command("amp-1", "power-on", id="c")
    model.apply([command])
    assert "under way" in detail_lines(model.unit(1), 80, LOOKS)[1].plain
    model.apply([Outcome("c", Result.REFUSED, Reason.LOCKED, "amp-1 is under a service lock of Ada")])
    assert "refused (locked)" in detail_lines(model.unit(1), 80, LOOKS)[1].plain


def test_filtering_keeps_the_numbers() -> None:
    model = hall(12)
    lines = [line.text.plain for line in hall_lines(model.buses("amplifier 11"), 80, None, LOOKS)]
    assert any(line.startswith(" ├ 11 Amplifier 11") for line in lines)
    assert not any("Amplifier 12" in line for line in lines)
    assert "nothing here fits" in hall_lines(model.buses("xyz"), 80, None, LOOKS)[0].text.plain


def test_on_and_off_are_what_the_profile_says_of_power() -> None:
    sight = hall().unit(1)
    assert sight is not None
    assert power_action(sight, on=True) == "power-on"
    assert power_action(sight, on=False) == "standby"


def test_a_lost_controller_leaves_nothing_known() -> None:
    model = hall(1)
    model.apply([StateChange("amp-1", "power", StateValue(True, Known.CONFIRMED, 0.0, True))])
    model.link_lost(5.0)
    assert "power ? unknown, was on" in painted(model)[1]


@given(
    title=st.text(max_size=200),
    why=st.text(max_size=200),
    width=st.integers(20, 220),
)
def test_no_line_is_wider_than_the_screen_and_none_steers_it(title: str, why: str, width: int) -> None:
    model = hall(1)
    model.site = replace(model.site, title=title, units=(unit("amp-1", title=title),))
    model.apply([Lock("l", "amp-1", why, why, 0.0), Alert("chain-hall", "hall", 0.0, why, why)])
    model.apply([Command("amp-1", why, id="c"), Outcome("c", Result.FAILED, Reason.NO_ECHO, why, why)])
    lines = [line.text for line in hall_lines(model.buses(), width, 1, LOOKS)]
    lines += alert_lines(model.standing_alerts, width, LOOKS)
    lines += detail_lines(model.unit(1), width, LOOKS)
    lines.append(top_line(model, 0.0, width, LOOKS))
    for line in lines:
        assert line.cell_len <= width
        assert not any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 or 0x202A <= ord(c) < 0x202F for c in line.plain)


@given(text=st.text(), width=st.integers(0, 50))
def test_fitting_never_makes_text_wider(text: str, width: int) -> None:
    assert cell_len(fit(text, width)) <= width


def test_where_there_is_room_each_state_says_in_a_word_how_it_is_known() -> None:
    model = hall(1)
    values = {"power": StateValue(True, Known.CONFIRMED, 0.0), "volume": StateValue(31, Known.OBSERVED, 0.0)}
    model.apply(StateChange("amp-1", name, value) for name, value in values.items())
    assert "power on ◉ confirmed  volume 31 ● observed" in painted(model, 80)[1]
    assert painted(model, 60)[1].endswith("power on ◉ confirmed  volume 31 ●")


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (StateValue(True, Known.CONFIRMED, 0.0), "on ◉"),
        (StateValue(None, Known.UNKNOWN, 0.0, last_known=True), "?"),
    ],
)
def test_the_power_is_told_on_the_narrowest_screen_too(value: StateValue, said: str) -> None:
    model = hall(1)
    model.apply([StateChange("amp-1", "power", value)])
    line = painted(model, 20)[1]
    assert line.startswith(" ├  1 ")
    assert line.endswith(said)


def test_a_group_shows_its_units_alone_and_says_how_they_are() -> None:
    model = hall(3)
    views = tuple(
        replace(view, group="audio", role=role)
        for view, role in zip(model.site.units, ("power-amplifier", "source", "preamplifier"), strict=True)
    )
    model.site = replace(model.site, units=(*views[:2], replace(views[2], group="stage")))
    model.apply([StateChange("amp-1", "power", StateValue(True, Known.CONFIRMED, 0.0))])
    assert [unit.number for bus in model.buses(group="audio") for unit in bus.units] == [1, 2]
    assert model.buses(group="nobody") == []
    assert model.groups == ["audio", "stage"]
    audio = model.group("audio")
    assert group_words("audio", audio) == "audio  2 units: 1 on, 1 unknown"
    model.apply([Lock("a", "audio", "Ada", "new fuse", 1.0)])
    assert "locked by Ada: new fuse" in group_lines("audio", model.group("audio"), 80, LOOKS)[1].plain
    # Common practice, no source: sources first, power amplifiers last: no thump reaches a loudspeaker.
    model.site = replace(model.site, units=views)
    assert [unit.number for unit in on_order(model.group("audio"))] == [2, 3, 1]


@given(st.text(st.characters(codec="utf-8"), max_size=120), st.integers(8, 60), st.integers(1, 4))
def test_folded_text_keeps_to_its_width_and_rows_and_loses_nothing_unsaid(
    text: str, width: int, rows: int
) -> None:
    lines = folded(text, width, rows)
    assert 1 <= len(lines) <= rows
    assert all(cell_len(line) <= width for line in lines)
    if not lines[-1].endswith("…"):
        assert " ".join(lines) == " ".join(plain(text).split())


def test_an_alert_is_told_whole_where_there_is_room() -> None:
    told = "nothing came back: the ring is open somewhere, or a unit in it has no mains"
    said = [line.plain for line in alert_lines([Alert("a", "sound", 0.0, told)], 70, LOOKS, 1, 2)]
    assert len(said) == 2
    assert "no mains" in said[1]
    assert "…" in alert_lines([Alert("a", "sound", 0.0, told)], 70, LOOKS, 1, 1)[0].plain


@pytest.mark.parametrize("width", [24, 60, 100])
def test_help_is_folded_with_each_key_beside_what_it_does(width: int) -> None:
    text = (
        "One paragraph that was\nbroken by hand.\n\n  o, f   on, and off; a click on a unit's power does it"
    )
    lines = folded_help(text, width).split("\n")
    assert max(map(len, lines)) <= width
    assert " ".join(lines[: lines.index("")]) == "One paragraph that was broken by hand."
    below = lines[lines.index("") + 1 :]
    assert below[0].startswith("  o, f   on, and")
    assert all(line.startswith(" " * 9) for line in below[1:])
    assert " ".join(" ".join(below).split()) == "o, f on, and off; a click on a unit's power does it"


_KEPT = 3


def _chain(number: int) -> tuple[BusView, list[UnitView]]:
    bus = BusView(f"bus-{number}", "sim://x", "pellgate-chain", "ring", 2, True, 4800.0)
    return bus, [unit(f"amp-{number}-{place}", f"bus-{number}") for place in range(2)]


def _halls() -> HallModel:
    chains = [_chain(number) for number in range(_KEPT)]
    views = tuple(view for _, units in chains for view in units)
    model = HallModel(SiteView("larkfield-hall", "Larkfield Hall", tuple(bus for bus, _ in chains), views))
    model.apply([BusStatus(bus.id, LinkState.UP, 0.0, 2, 2, 8.4) for bus, _ in chains])
    model.apply(StateChange(view.id, "power", StateValue(None, Known.UNKNOWN, 0.0)) for view in views)
    return model


_BUSES = st.sampled_from([f"bus-{number}" for number in range(_KEPT)])
_UNITS = st.sampled_from([f"amp-{number}-{place}" for number in range(_KEPT) for place in range(2)])
_POWER = st.builds(
    StateValue, st.sampled_from([True, False, None]), st.sampled_from(list(Known)), st.just(1.0)
)
_NEWS: st.SearchStrategy[Record] = st.one_of(
    st.builds(StateChange, _UNITS, st.just("power"), _POWER),
    st.builds(lambda bus, link: BusStatus(bus, link, 2.0), _BUSES, st.sampled_from(list(LinkState))),
    st.builds(lambda bus, over: Alert(f"chain-{bus}", bus, 1.0, "open", over=over), _BUSES, st.booleans()),
    st.builds(lambda unit, over: Lock(f"l-{unit}", unit, "Ada", "fuse", 1.0, over), _UNITS, st.booleans()),
)


@given(st.lists(st.tuples(_NEWS, st.sampled_from([40, 80]), st.integers(0, 7), st.booleans()), max_size=12))
def test_what_is_kept_from_the_last_painting_is_what_would_be_painted(
    steps: list[tuple[Record, int, int, bool]],
) -> None:
    model, painted = _halls(), Painted()
    for record, width, selected, dark in steps:
        model.apply([record])
        looks = Looks(dark=dark)
        kept = hall_lines(model.buses(), width, selected, looks, painted)
        assert kept == hall_lines(model.buses(), width, selected, looks)


def test_one_change_has_one_bus_painted_anew() -> None:
    model, painted = _halls(), Painted()
    before = hall_lines(model.buses(), 80, 1, LOOKS, painted)
    model.apply([StateChange("amp-1-0", "power", StateValue(True, Known.CONFIRMED, 1.0))])
    after = hall_lines(model.buses(), 80, 1, LOOKS, painted)
    # But for the empty lines between the buses.
    new = [line.text.plain for line in after if line.text and not any(line is old for old in before)]
    assert [words.split()[0] for words in new] == ["bus-1", "├", "├", "└─"]


def test_what_was_handed_out_stays_as_it_was() -> None:
    model = _halls()
    before = model.buses()[0].units[0]
    model.apply([StateChange("amp-0-0", "power", StateValue(True, Known.CONFIRMED, 1.0))])
    assert before.states["power"].value is None
    assert model.buses()[0].units[0].states["power"].value is True
