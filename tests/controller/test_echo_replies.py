"""Answers: found in whatever pieces they come, told from our own echo, and not waited for for ever."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.echo import EchoMachine
from controller.echo_states import State
from controller.records import Reason, Result
from controller.transmission import LineTimes, Transmission, wire_time
from profiles.model import Method
from profiles.template import Message, Pause

from .echo_line import Adapter, Order, Run, Shared, drive
from .echo_messages import T, answering, rules, sending

ASK = bytes.fromhex("01 05 00 00 FF 00 8C 3A")
"""Write coil 0 of slave 1: its right answer is the request over again (MODBUS Application Protocol V1.1b3,
function 5; the CRC is that of MODBUS over Serial Line V1.02, section 6.2.2)."""
REFUSAL = bytes.fromhex("01 85 02 C3 51")
DONE = bytes.fromhex("06 31 32")


def asking(
    data: bytes = ASK,
    *,
    done: tuple[bytes, ...] = (ASK,),
    refused: tuple[bytes, ...] = (REFUSAL,),
    other: tuple[bytes, ...] = (),
    confirm: dict[str, Any] | None = None,
    **more: Any,
) -> Transmission:
    """A message that wants an answer."""
    return sending(
        data,
        Method.REPLY,
        confirm=rules(Method.REPLY, **{"retries": 0, **(confirm or {})}),
        **answering(done=done, refused=refused, other=other),
        **more,
    )


def after(seconds: float, data: bytes, asked: bytes = ASK) -> Callable[[bytes], tuple[float, bytes] | None]:
    """A unit that answers so long after it was asked."""
    return lambda written: (seconds, data) if written.endswith(asked) else None


@pytest.mark.parametrize("hears_itself", [True, False])
@pytest.mark.parametrize("batch", [0.0, 0.001, 0.016, 0.2])
@pytest.mark.parametrize(
    ("says", "result", "reason"),
    [
        (ASK, Result.ANSWERED, None),
        (DONE, Result.ANSWERED, None),
        (REFUSAL, Result.FAILED, Reason.REFUSED_BY_UNIT),
    ],
)
def test_an_answer_is_found_whether_or_not_the_adapter_hears_itself(
    hears_itself: bool, batch: float, says: bytes, result: Result, reason: Reason | None
) -> None:
    # In the largest batches the answer is glued to our own echo.
    line = Shared(T, Adapter(0, batch), hears_itself=hears_itself, answer=after(4 * T, says))
    times = LineTimes(T, latency=0.0, jitter=batch)
    run = drive(EchoMachine(times), line, asking(done=(ASK, DONE), hears_itself=hears_itself))
    assert (run.report.result, run.report.reason) == (result, reason)
    assert run.told == run.delivered
    assert run.report.reply is not None
    assert run.report.reading is not None
    if batch == 0:
        least = wire_time(Message(ASK), Method.REPLY, times, len(says))
        assert run.took == pytest.approx(least + 4 * T)


@pytest.mark.parametrize("batch", [0.0, 0.001, 0.016])
@pytest.mark.parametrize("known", [True, False])
def test_a_dead_slave_is_not_taken_for_a_live_one_by_our_own_echo(batch: float, known: bool) -> None:
    times = LineTimes(T, latency=0.0, jitter=batch) if known else LineTimes(T)
    run = drive(EchoMachine(times), Shared(T, Adapter(0, batch)), asking(hears_itself=True))
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.NO_REPLY)
    assert run.report.echoed == len(ASK)


@pytest.mark.parametrize("batch", [0.0, 0.001, 0.016])
@pytest.mark.parametrize("known", [True, False])
def test_nor_where_nobody_said_that_the_adapter_hears_itself(batch: float, known: bool) -> None:
    # Only the adapter's time can tell: our own echo comes sooner than an answer could. That nothing comes
    # sooner than the line carries it is enough, where how much later it may come is not known.
    times = LineTimes(T, latency=0.0, jitter=batch if known else None)
    run = drive(EchoMachine(times), Shared(T, Adapter(0, batch)), asking())
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.ECHO_EARLY)


@pytest.mark.parametrize(("after_end", "reason"), [(7.5 * T, Reason.ECHO_EARLY), (8.1 * T, None)])
def test_an_answer_takes_the_time_of_its_own_frames(after_end: float, reason: Reason | None) -> None:
    # The whole answer in one delivery, counted from the end of our message and the adapter's latency.
    at = 8 * T + 0.003 + after_end
    times = LineTimes(T, latency=0.003, jitter=0.0)
    run = drive(EchoMachine(times), Shared(T, hears_itself=False), asking(), orders=[(at, ASK)])
    assert run.report.reason is reason


def test_nor_where_the_request_is_no_answer() -> None:
    run = drive(EchoMachine(LineTimes(T)), Shared(T), asking(done=(DONE,)))
    assert (run.report.reason, run.report.stray) == (Reason.ECHO_EARLY, ASK)


def test_a_port_that_does_not_take_the_lines_time_is_answered_at_once() -> None:
    # A server behind a pty answers when it has the bytes, long before a line would have carried them.
    for hears_itself in (True, False):
        machine = EchoMachine(LineTimes(T))
        machine.begin(asking(hears_itself=hears_itself), 0.0)
        if hears_itself:
            machine.received(ASK, 0.0005)
        effects = machine.received(ASK, 0.001)
        assert effects[-1].report.result is Result.ANSWERED  # type: ignore[union-attr]  # -- it is Finished


def test_no_answer_and_a_wrong_one() -> None:
    line = Shared(T, hears_itself=False)
    run = drive(EchoMachine(LineTimes(T)), line, asking())
    assert (run.report.reason, run.report.failed_at, run.report.echoed) == (Reason.NO_REPLY, None, 0)
    assert run.report.ended == pytest.approx(8 * T + 0.25 + LineTimes(T).slack)
    line = Shared(T, hears_itself=False, answer=after(T, b"\x77\x78"))
    run = drive(EchoMachine(LineTimes(T)), line, asking())
    assert (run.report.reason, run.report.stray) == (Reason.BAD_REPLY, b"\x77\x78")
    assert [heard.fault for heard in run.heard] == [Reason.BAD_REPLY] * 2


def test_half_an_answer_is_a_bad_one() -> None:
    line = Shared(T, hears_itself=False, answer=after(T, ASK[:5]))
    run = drive(EchoMachine(LineTimes(T)), line, asking())
    assert (run.report.reason, run.report.stray) == (Reason.BAD_REPLY, ASK[:5])
    assert run.told == ASK[:5]


def test_an_answer_to_another_command_is_passed_over() -> None:
    other = bytes.fromhex("02 05 00 00 FF 00 8C 09")
    line = Shared(T, hears_itself=False, answer=after(T, other + ASK))
    run = drive(EchoMachine(LineTimes(T)), line, asking(other=(other,)))
    assert run.report.result is Result.ANSWERED
    line = Shared(T, hears_itself=False, answer=after(T, other))
    run = drive(EchoMachine(LineTimes(T)), line, asking(other=(other,)))
    assert run.report.reason is Reason.NO_REPLY


def test_an_answer_that_another_one_begins_with_is_settled_by_the_idle_line() -> None:
    line = Shared(T, hears_itself=False, answer=after(T, b"\x06"))
    run = drive(EchoMachine(LineTimes(T)), line, asking(done=(b"\x06",), refused=(b"\x06\x15",)))
    assert run.report.result is Result.ANSWERED
    assert run.finished_at == pytest.approx(10 * T + 0.04)
    line = Shared(T, hears_itself=False, answer=after(T, b"\x06\x15"))
    run = drive(EchoMachine(LineTimes(T)), line, asking(done=(b"\x06",), refused=(b"\x06\x15",)))
    assert run.report.reason is Reason.REFUSED_BY_UNIT


def test_so_is_one_that_the_time_out_finds_open() -> None:
    times = LineTimes(T, latency=0.0, jitter=0.0)
    line = Shared(T, hears_itself=False, answer=after(0.005, b"\x06"))
    short = {"timeout_ms": 10, "busy_timeout_ms": 1}
    run = drive(EchoMachine(times), line, asking(done=(b"\x06",), refused=(b"\x06\x15",), confirm=short))
    assert run.report.result is Result.ANSWERED


def test_what_only_looked_like_the_beginning_of_an_answer_is_passed_over() -> None:
    # It is given up after 250 ms of idle line; the time for the answer is not over by then.
    orders: list[Order] = [(0.03, ASK[:3]), (0.5, ASK)]
    transmission = asking(confirm={"timeout_ms": 1000})
    run = drive(EchoMachine(LineTimes(T)), Shared(T, hears_itself=False), transmission, orders=orders)
    assert (run.report.result, run.report.stray) == (Result.ANSWERED, ASK[:3])


def test_an_answer_that_has_begun_in_time_is_heard_to_its_end() -> None:
    line = Shared(0.03, hears_itself=False, answer=after(0.2, ASK))
    run = drive(EchoMachine(LineTimes(0.03)), line, asking())
    assert run.report.result is Result.ANSWERED
    assert run.took == pytest.approx(0.03 * 16 + 0.2)


def test_chatter_does_not_put_the_end_off_for_ever() -> None:
    chatter: list[Order] = [(0.02 * place, b"\x77") for place in range(1, 1000)]
    run = drive(EchoMachine(LineTimes(T)), Shared(T, hears_itself=False), asking(), orders=chatter)
    assert run.report.reason is Reason.BAD_REPLY
    ended = run.report.ended
    assert ended is not None
    assert ended == pytest.approx(8 * T + 0.25 + 0.02 + 2.0, abs=0.05)


def test_an_answer_after_the_time_is_late_whoever_notices_first() -> None:
    machine = EchoMachine(LineTimes(T))
    machine.begin(asking(), 0.0)
    effects = machine.received(ASK, 1.0)
    assert machine.state is State.DRAINING
    assert [type(effect).__name__ for effect in effects] == ["Heard"]
    report = machine.tick(5.0)[-1].report  # type: ignore[union-attr]  # -- it is Finished
    assert report.reason is Reason.NO_REPLY


def test_a_retry_asks_again_unless_it_must_not() -> None:
    def second_time(written: bytes) -> tuple[float, bytes] | None:
        return (T, ASK) if written == ASK * 2 else None

    line = Shared(T, hears_itself=False, answer=second_time)
    run = drive(EchoMachine(LineTimes(T)), line, asking(confirm={"retries": 1}))
    assert (run.report.result, run.report.attempts) == (Result.ANSWERED, 2)
    line = Shared(T, hears_itself=False, answer=second_time)
    run = drive(EchoMachine(LineTimes(T)), line, asking(confirm={"retries": 1}, repeatable=False))
    assert (run.report.result, run.report.attempts) == (Result.FAILED, 1)


def test_an_answer_in_the_middle_of_the_message_is_none() -> None:
    def run(at: float) -> Run:
        transmission = asking(b"\x01\x02\x03", done=(DONE,), pauses=(Pause(2, 0.1),))
        return drive(
            EchoMachine(LineTimes(T)), Shared(T, hears_itself=False), transmission, orders=[(at, DONE)]
        )

    assert run(T).report.reason is Reason.NO_REPLY  # the first stretch is on its way out
    assert run(0.05).report.reason is Reason.NO_REPLY  # in the pause
    assert run(0.2).report.result is Result.ANSWERED


def test_a_collision_ends_the_question() -> None:
    machine = EchoMachine(LineTimes(T))
    run = drive(machine, Shared(T, hears_itself=False), asking(hears_itself=True), orders=[(T, b"\x77")])
    assert (run.report.reason, run.report.failed_at) == (Reason.COLLISION, 0)


def test_taking_back_waits_for_the_answer_to_what_is_out() -> None:
    line = Shared(T, hears_itself=False, answer=after(0.1, ASK))
    run = drive(EchoMachine(LineTimes(T)), line, asking(), orders=[(0.05, EchoMachine.cancel)])
    assert run.report.result is Result.ANSWERED


def test_a_link_that_is_lost_while_an_answer_is_due() -> None:
    run = drive(
        EchoMachine(LineTimes(T)),
        Shared(T, hears_itself=False),
        asking(b"\x01\x02", done=(DONE,)),
        orders=[(0.1, DONE[:1]), (0.15, EchoMachine.link_lost)],
    )
    assert (run.report.reason, run.report.failed_at) == (Reason.LINK_LOST, None)
    assert run.told == DONE[:1]


# In whatever pieces it comes


def pieces_of(data: bytes, cuts: list[int]) -> list[bytes]:
    """The same bytes in pieces."""
    places = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    return [data[a:b] for a, b in itertools.pairwise(places)]


def verify_same_however_cut(make: Callable[[], EchoMachine], at: float, data: bytes, cuts: list[int]) -> None:
    """Whole, one by one and in any pieces: the same end, and every byte told in order."""
    ends = []
    for pieces in ([data], [bytes([value]) for value in data], pieces_of(data, cuts)):
        machine, told, report = make(), b"", None
        for piece in pieces:
            for effect in machine.received(piece, at):
                told += getattr(effect, "data", b"")
                report = getattr(effect, "report", report)
        while machine.deadline is not None:
            for effect in machine.tick(machine.deadline):
                report = getattr(effect, "report", report)
        assert told == data
        assert report is not None
        ends.append(
            (report.result, report.reason, report.failed_at, report.echoed, report.stray, report.lags)
        )
    assert ends[0] == ends[1] == ends[2]


TRAILERS = [b"", b"\x00", b"\x77\x78", ASK[:3], DONE, REFUSAL]


@pytest.mark.parametrize("trailer", TRAILERS)
@pytest.mark.parametrize("says", [ASK, DONE, REFUSAL, ASK[:4], b"\x77\x78", b"\x77" + DONE])
@pytest.mark.parametrize("hears_itself", [True, False])
def test_an_answer_comes_whole_or_byte_by_byte_or_with_more_behind_it(
    hears_itself: bool, says: bytes, trailer: bytes
) -> None:
    def make() -> EchoMachine:
        machine = EchoMachine(LineTimes(T))
        machine.begin(asking(done=(ASK, DONE), hears_itself=hears_itself), 0.0)
        return machine

    data = (ASK if hears_itself else b"") + says + trailer
    verify_same_however_cut(make, 0.1, data, [3, 9])


@given(
    st.lists(st.sampled_from([ASK, DONE, REFUSAL, b"\x01", b"\x77"]), max_size=6),
    st.lists(st.integers(1, 40)),
)
@settings(deadline=None, max_examples=200)
def test_any_bytes_in_the_place_of_an_answer(parts: list[bytes], cuts: list[int]) -> None:
    def make() -> EchoMachine:
        machine = EchoMachine(LineTimes(T))
        machine.begin(asking(done=(ASK, DONE)), 0.0)
        return machine

    data = b"".join(parts)
    verify_same_however_cut(make, 0.1, data, cuts)


@given(st.binary(max_size=10), st.lists(st.integers(1, 12)))
@settings(deadline=None, max_examples=200)
def test_any_bytes_behind_our_own_on_a_shared_wire(trailer: bytes, cuts: list[int]) -> None:
    def make() -> EchoMachine:
        machine = EchoMachine(LineTimes(T))
        machine.begin(
            sending(
                b"\x01\x02\x03", Method.LOCAL, confirm=rules(Method.LOCAL, retries=0), others_say=(DONE,)
            ),
            0.0,
        )
        return machine

    # What is told of the frame that a report ends with is the same; how much of the rest is kept is not.
    verify_same_however_cut(make, 0.1, b"\x01\x02\x03" + trailer[:1], cuts)
