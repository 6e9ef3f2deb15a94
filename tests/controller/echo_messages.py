"""Transmissions for the echo machine's tests, and strategies that make lines and messages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st

from controller.transmission import LineTimes, Transmission, Verdict, handed_on
from profiles.compiled import CompiledObservation, CompiledReply, Meaning
from profiles.frames import FrameFormat
from profiles.model import Confirmation, Method, Observation, Reply
from profiles.parts import ConstantPart
from profiles.stream import StreamMatcher
from profiles.template import ByteTemplate, Message, Pause, Reading

from .echo_line import Adapter, Fault, Ring

T = 10 / 4800
"""A frame at 4800 baud, 8N1: 10 bits (Analog Devices tutorial 2141, "UART Timing")."""


def saying(*messages: bytes, burst_gap: float = 0.04) -> StreamMatcher[Meaning]:
    """A matcher that knows these messages of others."""
    templates: list[tuple[Meaning, ByteTemplate]] = []
    for index, data in enumerate(messages):
        template = ByteTemplate([ConstantPart(data)])
        spec = Observation.model_validate({"match": [{"hex": data.hex()}]})
        templates.append((CompiledObservation(index, spec, template), template))
    return StreamMatcher(templates, burst_gap=burst_gap)


def answering(
    *, done: tuple[bytes, ...], refused: tuple[bytes, ...] = (), other: tuple[bytes, ...] = ()
) -> dict[str, Any]:
    """``replies`` and ``judge`` of a transmission that knows these answers."""
    pairs: list[tuple[CompiledReply, ByteTemplate]] = []
    verdicts: dict[int, Verdict] = {}
    for verdict, messages in ((Verdict.DONE, done), (Verdict.REFUSED, refused), (Verdict.OTHER, other)):
        for data in messages:
            template = ByteTemplate([ConstantPart(data)])
            means = "refused" if verdict is Verdict.REFUSED else "done"
            reply = CompiledReply(
                Reply.model_validate({"expect": [{"hex": data.hex()}], "means": means}), template
            )
            pairs.append((reply, template))
            verdicts[id(reply)] = verdict

    def replies() -> StreamMatcher[CompiledReply]:
        return StreamMatcher(pairs, burst_gap=0.04)

    def judge(reply: CompiledReply, _reading: Reading) -> Verdict:
        return verdicts[id(reply)]

    return {"replies": replies, "judge": judge}


def rules(method: Method = Method.LOOP, **others: Any) -> Confirmation:
    """A profile's [confirm]."""
    return Confirmation.model_validate({"method": method.value, **others})


def sending(
    data: bytes,
    method: Method = Method.LOOP,
    *,
    confirm: Confirmation | None = None,
    pauses: tuple[Pause, ...] = (),
    others_say: tuple[bytes, ...] = (),
    **more: Any,
) -> Transmission:
    """A transmission of these bytes."""
    return Transmission(
        "t",
        Message(data, pauses),
        method,
        confirm or rules(method),
        lambda: saying(*others_say),
        **more,
    )


@dataclass(frozen=True)
class RingCase:
    """A ring, its adapter, what is known of both, and a message."""

    units: int
    format: FrameFormat
    baud: float
    payload: bytes
    latency: float
    batch: float
    phase: float
    hop: float
    last: float
    known: bool
    """Whether latency and jitter are known."""
    expected: bool
    """Whether the number of units is known."""
    learned: bool
    """Whether the length of a hop is known."""

    @property
    def frame(self) -> float:
        return self.format.time(self.baud)

    @property
    def times(self) -> LineTimes:
        return LineTimes(
            self.frame,
            hops=self.units if self.expected else 0,
            hop=self.hop * self.frame if self.learned else None,
            latency=self.latency if self.known else None,
            jitter=self.batch if self.known else None,
            handed_on=handed_on(self.format),
        )

    @property
    def longest_lag(self) -> float:
        return (self.units + 1) * self.frame * 1.03 + self.latency + self.batch

    def confirm(self, **others: Any) -> Confirmation:
        """Rules with a time-out that a frame keeps, though it waits for others on the wire."""
        return rules(
            Method.LOOP, timeout_ms=max(250.0, 1500 * self.longest_lag + 8000 * self.frame + 50), **others
        )

    def ring(self, fault: Fault | None = None) -> Ring:
        adapter = Adapter(self.latency, self.batch, self.phase)
        return Ring(self.frame, self.units, adapter, hop=self.hop, last=self.last, fault=fault)


# Runs of equal bytes are what doubled echoes hide in, so they are made often.
payloads = st.one_of(
    st.binary(min_size=1, max_size=20),
    st.lists(st.sampled_from([0x00, 0xA5]), min_size=1, max_size=20).map(bytes),
    st.builds(lambda value, count: bytes([value]) * count, st.integers(0, 255), st.integers(1, 12)),
)

formats = st.sampled_from(["8N1", "8E1", "8N2", "7E1", "7O1", "5N1.5", "5N2", "9N1"]).map(FrameFormat.parse)

bauds = st.one_of(
    st.sampled_from([300.0, 1200.0, 4800.0, 9600.0, 19200.0, 31250.0, 115200.0, 250000.0, 3_000_000.0]),
    st.floats(50, 4_000_000),
)

seconds = st.one_of(st.just(0.0), st.sampled_from([0.001, 0.016]), st.floats(1e-6, 0.016))


@st.composite
def ring_cases(draw: st.DrawFn) -> RingCase:
    """Any ring with any adapter."""
    frame = draw(formats)
    soonest = handed_on(frame)
    batch = draw(seconds)
    return RingCase(
        units=draw(st.integers(0, 8)),
        format=frame,
        baud=draw(bauds),
        payload=draw(payloads),
        latency=draw(seconds),
        batch=batch,
        phase=draw(st.floats(0, 1)) * batch,
        hop=draw(st.one_of(st.just(1.0), st.floats(soonest, 1.02))),
        last=draw(st.one_of(st.just(1.0), st.floats(soonest, 1.0))),
        known=draw(st.booleans()),
        expected=draw(st.booleans()),
        learned=draw(st.booleans()),
    )
