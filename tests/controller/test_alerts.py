"""Alerts: raised once, kept while it lasts, cleared by themselves; and what a report says of states."""

from __future__ import annotations

from typing import Any

import pytest

from controller.aftermath import BusAlerts, states_after
from controller.alerts import AlertBook, FaultAlert
from controller.guard import Cleared
from controller.records import Alert, Command, Known, Outcome, Reason, Record, Result
from controller.transmission import Report
from profiles.compiled import CompiledReply
from profiles.model import Method
from profiles.model import Reply as ReplySpec
from profiles.template import ByteTemplate
from tests.controller.gates import ADA, OFF, ON, Bench, command
from tests.controller.halls import compiled, shipped, until


class Book:
    def __init__(self) -> None:
        self.told: list[Record] = []
        self.now = 100.0
        self.book = AlertBook(self.told.append, lambda: self.now)

    @property
    def texts(self) -> dict[str, str]:
        return {alert.id: alert.text for alert in self.book.standing()}


def test_an_alert_is_raised_once_and_cleared_by_itself() -> None:
    book = Book()
    book.book.set("link", "sound", "gone", "the plug")
    raised = Alert("link-sound", "sound", 100.0, "gone", "the plug")
    assert book.told == [raised]
    book.now = 120.0
    book.book.set("link", "sound", "gone", "the plug")
    assert book.told == [raised]
    # Another word for the same trouble is told, and it stands since it began.
    book.book.set("link", "sound", "held by another program", "the plug")
    assert book.told[1:] == [Alert("link-sound", "sound", 100.0, "held by another program", "the plug")]
    book.book.set("link", "sound", None)
    assert book.told[2:] == [
        Alert("link-sound", "sound", 100.0, "held by another program", "the plug", over=True)
    ]
    book.book.set("link", "sound", None)
    assert len(book.told) == 3
    assert book.book.standing() == []


def test_alerts_of_other_kinds_and_targets_are_others_and_the_oldest_comes_first() -> None:
    book = Book()
    for kind, target in (("link", "sound"), ("chain", "sound"), ("link", "light")):
        book.now += 1
        book.book.set(kind, target, "trouble")
    assert list(book.texts) == ["link-sound", "chain-sound", "link-light"]


# What commands raise and clear


class Bus(Book):
    def __init__(self, *, ring: bool = True, expected: int | None = 3) -> None:
        super().__init__()
        self.alerts = BusAlerts("sound", ring=ring, expected=expected, alert=self.book.set)

    def after(
        self,
        result: Result,
        reason: Reason | None = None,
        method: Method = Method.LOOP,
        of: Command = OFF,
        **more: Any,
    ) -> dict[str, str]:
        cleared = Bench().admit(of)
        assert isinstance(cleared, Cleared)
        self.alerts.after(cleared, Outcome("a", result, reason, f"text of {reason}", "x", **more), method)
        return self.texts


def test_a_failure_of_the_line_is_an_alert_until_something_comes_round() -> None:
    bus = Bus()
    assert bus.after(Result.FAILED, Reason.NO_ECHO) == {"chain-sound": "text of no-echo"}
    assert bus.after(Result.FAILED, Reason.ECHO_WRONG) == {"chain-sound": "text of echo-wrong"}
    # That it was written shows nothing of a ring.
    assert "chain-sound" in bus.after(Result.SENT, method=Method.LOOP)
    assert "chain-sound" in bus.after(Result.CANCELLED, Reason.CANCELLED)
    assert bus.after(Result.CONFIRMED) == {}


def test_on_an_open_line_a_command_that_could_be_written_clears_it() -> None:
    bus = Bus(ring=False)
    assert bus.after(Result.FAILED, Reason.LINE_BUSY, Method.NONE) == {"chain-sound": "text of line-busy"}
    assert bus.after(Result.SENT, method=Method.NONE) == {}


@pytest.mark.parametrize("reason", [Reason.LINK_LOST, Reason.INTERNAL, Reason.REFUSED_BY_UNIT])
def test_what_has_an_alert_of_its_own_or_needs_none_raises_none_of_the_line(reason: Reason) -> None:
    assert Bus().after(Result.FAILED, reason) == {}


def test_a_unit_that_does_not_answer_is_an_alert_of_its_own() -> None:
    bus = Bus(ring=False)
    hall = command("hall-amp", "standby")
    bus.after(Result.FAILED, Reason.NO_REPLY, Method.REPLY)
    assert set(bus.after(Result.FAILED, Reason.BAD_REPLY, Method.REPLY, of=hall)) == {
        "silent-mixer",
        "silent-hall-amp",
    }
    # That another one answers does not make it answer.
    assert set(bus.after(Result.ANSWERED, method=Method.REPLY, of=hall)) == {"silent-mixer"}
    assert set(bus.after(Result.SENT, method=Method.NONE, of=command("sound", "standby"))) == {"silent-mixer"}
    # One that refuses is there.
    assert bus.after(Result.FAILED, Reason.REFUSED_BY_UNIT, Method.REPLY) == {}


def test_another_number_of_units_is_told_and_one_that_can_not_be_told_changes_nothing() -> None:
    bus = Bus()
    assert bus.after(Result.CONFIRMED, units_answering=3) == {}
    assert bus.after(Result.CONFIRMED, units_answering=2) == {"units-sound": "2 of 3 units answer"}
    assert bus.after(Result.CONFIRMED, units_answering=None) == {"units-sound": "2 of 3 units answer"}
    assert bus.after(Result.CONFIRMED, units_answering=4) == {"units-sound": "4 of 3 units answer"}
    assert bus.after(Result.FAILED, Reason.NO_ECHO).keys() == {"units-sound", "chain-sound"}
    assert bus.after(Result.CONFIRMED, units_answering=3) == {}
    assert Bus(expected=None).after(Result.CONFIRMED, units_answering=2) == {}


def test_the_link_is_an_alert_of_the_bus() -> None:
    bus = Bus()
    bus.alerts.link("the adapter is not there: no such file", "the plug")
    assert bus.texts == {"link-sound": "the adapter is not there: no such file"}
    bus.alerts.link(None)
    assert bus.texts == {}


async def test_a_fault_of_this_program_stands_for_a_while_after_the_last_one() -> None:
    book = Book()
    fault = FaultAlert(book.book.set, "sound", stands=0.01)
    fault.met(ZeroDivisionError("one"))
    fault.met(ZeroDivisionError("two"))
    assert book.texts == {"fault-sound": "a fault of this program: ZeroDivisionError('two')"}
    await until(lambda: not book.texts)
    fault.met(ZeroDivisionError("three"))
    fault.close()
    assert book.texts != {}


# States after a report


class After:
    """A book of states in which the mixer was observed to be on, at volume 7."""

    def __init__(self) -> None:
        self.bench = Bench()
        self.spoken: set[str] = set()
        self.bench.states.put("mixer", {"power": True, "volume": 7}, Known.OBSERVED, 1.0)

    def __call__(self, of: Command, **report: Any) -> dict[str, tuple[Any, Known]]:
        cleared = self.bench.admit(of)
        assert isinstance(cleared, Cleared)
        made = Report(of.id, report.pop("result"), report.pop("reason", None), frames=4, began=1.0)
        for name, value in report.items():
            setattr(made, name, value)
        changes = states_after(cleared, made, self.bench.states, lambda _unit, name: name in self.spoken, 5.0)
        assert all(change.value.command_id == of.id for change in changes)
        return {
            change.state: (change.value.value, change.value.known)
            for change in changes
            if change.unit == "mixer"
        }


VOLUME = Command("mixer", "set-volume", {"level": 9}, ADA)


@pytest.mark.parametrize(
    ("result", "known"), [(Result.CONFIRMED, Known.CONFIRMED), (Result.SENT, Known.PRESUMED)]
)
def test_an_action_that_went_out_sets_its_states(result: Result, known: Known) -> None:
    assert After()(VOLUME, result=result, all_out=True) == {"volume": (9, known)}


def test_an_action_to_all_sets_them_for_each_unit() -> None:
    after = After()
    assert after(command("sound", "standby"), result=Result.CONFIRMED, all_out=True) == {
        "power": (False, Known.CONFIRMED)
    }
    for unit in ("hall-amp", "foyer-amp"):
        found = after.bench.states.get(unit, "power")
        assert found is not None
        assert found.known is Known.CONFIRMED


def test_what_the_unit_itself_has_said_since_stands() -> None:
    """Told to go to 9, it says that it went to 8: it knows."""
    after = After()
    after.spoken.add("volume")
    after.bench.states.put("mixer", {"volume": 8}, Known.OBSERVED, 4.0)
    assert after(VOLUME, result=Result.CONFIRMED, all_out=True) == {}
    assert after(VOLUME, result=Result.FAILED, reason=Reason.STRAY, all_out=True) == {}
    found = after.bench.states.get("mixer", "volume")
    assert found is not None
    assert (found.value, found.known) == (8, Known.OBSERVED)


@pytest.mark.parametrize("result", [Result.FAILED, Result.CANCELLED])
def test_a_failure_with_the_whole_message_out_leaves_doubt_and_one_before_does_not(result: Result) -> None:
    assert After()(VOLUME, result=result, reason=Reason.ECHO_STOPPED, all_out=False) == {}
    after = After()
    doubted = after(VOLUME, result=result, reason=Reason.ECHO_STOPPED, all_out=True)
    assert doubted == {"volume": (None, Known.UNKNOWN)}
    # It was on before: obeyed or not, it is.
    assert after(ON, result=result, reason=Reason.NO_ECHO, all_out=True) == {}


def test_a_unit_that_refuses_has_not_obeyed_unless_an_earlier_attempt_went_out() -> None:
    refused = {"result": Result.FAILED, "reason": Reason.REFUSED_BY_UNIT, "all_out": True}
    assert After()(VOLUME, **refused, attempts=1) == {}
    assert After()(VOLUME, **refused, attempts=2) == {"volume": (None, Known.UNKNOWN)}


def test_an_answer_is_the_units_own_word_and_may_say_more() -> None:
    after = After()
    after.spoken.add("volume")  # before the answer: the answer is newer

    spec = ReplySpec.model_validate({"expect": [{"field": "on"}], "sets": {"power": "on"}})
    power = compiled(shipped("pellgate-chain")).profile.states["power"]
    reply = CompiledReply(spec, ByteTemplate.compile(spec.expect, types={"on": power}))
    found = after(VOLUME, result=Result.ANSWERED, all_out=True, reply=reply, reading=reply.expect.read(b"\0"))
    assert found == {"volume": (9, Known.OBSERVED), "power": (False, Known.OBSERVED)}


def test_raw_bytes_leave_doubt_about_everything_once_one_is_out() -> None:
    raw = Command("sound", "", origin=ADA, raw=b"\xa5")
    assert After()(raw, result=Result.FAILED, reason=Reason.LINE_BUSY, began=None) == {}
    assert After()(raw, result=Result.FAILED, reason=Reason.NO_ECHO) == {
        "power": (None, Known.UNKNOWN),
        "volume": (None, Known.UNKNOWN),
    }
