"""What a line's settings are, with the evidence for each answer.

Trial bit times come from the runs (`candidates`), every combination of bit time, idle level and frame
length is read and scored on a sample (`hypotheses`), and the scores become probabilities: of the whole
answer and of each part of it. The bit time is then fitted to all frames (`bit_time`). What can't be told is
None, with what fits as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from profiles.bench.bit_time import BitFit, fit_line
from profiles.bench.calibration import calibrated
from profiles.bench.candidates import bit_time_candidates
from profiles.bench.edges import Edges
from profiles.bench.glance import glance
from profiles.bench.hypotheses import Account, account_for, anything_goes, clocked_bits, first_away, is_clock
from profiles.bench.meanings import Reading, readings, stop_bits
from profiles.bench.odds import log_of_sum
from profiles.bench.rates import nearest_usual_rate, rate_prior
from profiles.bench.uart import LineTiming
from profiles.bench.wording import LineEvidence, evidence_for, refusal
from profiles.frames import FrameFormat, Parity

__all__ = ["Alternative", "LineFit", "LineOverrides", "find_line"]

_SAMPLE = 1600
"""Edges that the settings are found on."""
_GLANCE = 120
"""Edges on which hypotheses are weeded out before any is fitted."""
_WEEDED = 40
"""How many are left, at most."""
_FAR, _FAR_AN_EDGE = 30.0, 2.2
"""Log-odds by which a hypothesis is too far behind at a look, and so many more for each edge looked at. The
answers to 450 random lines were the same as with none left out; with half of it one of 600 was another."""
_LOOKS = ((300, 8), (_SAMPLE, 8))
"""Edges on which what is left is fitted, and how many go on to the next look."""
_BEGINNING = 90
"""Edges on which it is found where the first whole frame starts."""
_RIVAL = math.log(0.02)
"""How likely each of the two rival accounts is before looking."""
_MOST_ALTERNATIVES = 8
_TOLD = 0.5
"""Answers less likely than this are not given."""


@dataclass(frozen=True, slots=True)
class LineOverrides:
    """Answers that a person gives instead of the bench; None leaves it to find them."""

    baud: float | None = None
    idle: int | None = None
    frame: FrameFormat | None = None


@dataclass(frozen=True, slots=True)
class Alternative:
    """Other settings that the line may have."""

    baud: float
    idle: int
    frame: FrameFormat
    probability: float
    why: str


@dataclass(frozen=True, slots=True)
class LineFit:
    """What a line was found to be."""

    baud: float | None
    """The nominal rate: a usual one where the measured one is as near as clocks are, else the measured one,
    rounded to what is known of it. None where it can't be told."""
    baud_measured: float | None
    baud_error: float | None
    """Standard error of ``baud_measured``, in baud; infinite where too few edges tell of it."""
    idle: int | None
    frame: FrameFormat | None
    stop_known: bool
    """Whether frames follow each other so closely that the stop bits show; else the fewest that fit are
    given."""
    confidence: float
    """How often an answer like this is right: rate, idle level, data bits and parity together."""
    evidence: LineEvidence
    alternatives: tuple[Alternative, ...]
    timing: LineTiming | None
    """What to decode with, in ticks: the best guess even where the answer is not given. None where there is
    none."""
    start: int
    """The edge to start decoding at."""
    jitter: float
    """Standard deviation of an edge around its place, in bit times."""
    shift: float
    """How much later edges back to idle come, in bit times."""
    refusal: str = ""
    """Why the line is no asynchronous serial line; empty where it may be one."""


@dataclass(frozen=True, slots=True)
class _Weighed:
    account: Account
    reading: Reading
    score: float


_Groups = dict[tuple[int, int, Parity], list[_Weighed]]


def find_line(edges: Edges, overrides: LineOverrides | None = None) -> LineFit:
    """Find a line's settings.

    Args:
        edges: what was captured of it.
        overrides: answers that are given.

    Returns:
        The settings, as far as they can be told.
    """
    overrides = overrides or LineOverrides()
    if len(edges) < 2:
        return _nothing(edges, refusal(edges, None))
    if overrides.baud is None and overrides.frame is None and is_clock(edges):
        return _nothing(edges, refusal(edges, None))
    sample = edges.part(0, min(len(edges), _SAMPLE))
    weighed = _weigh(sample, overrides)
    if not weighed:
        return _nothing(edges, refusal(edges, None))
    groups = _grouped(weighed)
    best = _likeliest(weighed, groups)
    rivals = [_RIVAL + anything_goes(sample), _RIVAL + _clocked(sample, weighed)]
    if overrides.baud is not None and overrides.frame is not None:
        rivals = []
    total = log_of_sum([item.score for item in weighed] + rivals)
    probability = math.exp(log_of_sum(_alike(best, groups)) - total)
    timing = best.account.timing
    frame, stop_known = overrides.frame, True
    if frame is None:
        bits, parity = _bytes_of(best.reading.frame)
        stop, stop_known = stop_bits(best.account, _cells_of(bits, parity))
        frame = FrameFormat(bits, parity, stop)
    timing = LineTiming(timing.bit, timing.idle, frame, timing.shift)
    if overrides.baud is not None:
        timing = LineTiming(1 / (overrides.baud * edges.tick), timing.idle, timing.frame, timing.shift)
    fit = fit_line(edges, timing, start=best.account.start)
    if fit is not None and overrides.baud is None and abs(fit.bit / timing.bit - 1) < 0.02:
        timing = LineTiming(fit.bit, timing.idle, timing.frame, fit.shift)
    jitter = fit.jitter / fit.bit if fit is not None else 0.0
    confidence = calibrated(probability, len(set(best.account.words.tolist())), jitter)
    rival_wins = bool(rivals) and max(rivals) > best.score
    told = confidence >= _TOLD and not rival_wins
    measured, error = _measured(edges, timing, fit)
    return LineFit(
        baud=(overrides.baud or nearest_usual_rate(measured, error)) if told else None,
        baud_measured=measured if told else None,
        baud_error=error if told else None,
        idle=timing.idle if told else None,
        frame=timing.frame if told else None,
        stop_known=stop_known,
        confidence=0.0 if rival_wins else confidence,
        evidence=evidence_for(edges, best.account, best.reading, fit, overrides),
        alternatives=_alternatives(weighed, groups, best, total, edges, timing.frame),
        timing=timing,
        start=best.account.start,
        jitter=jitter,
        shift=fit.shift / fit.bit if fit is not None else 0.0,
        refusal=refusal(edges, best.account) if rival_wins else "",
    )


def _nothing(edges: Edges, why: str) -> LineFit:
    evidence = LineEvidence("", "", "", "")
    return LineFit(
        None, None, None, edges.first_level, None, False, 0.0, evidence, (), None, 0, 0.0, 0.0, why
    )


def _measured(edges: Edges, timing: LineTiming, fit: BitFit | None) -> tuple[float, float]:
    if fit is None:
        return 1 / (timing.bit * edges.tick), math.inf
    measured = 1 / (fit.bit * edges.tick)
    # A sampled edge may lie anywhere within the resolution, also where all happen to fall alike.
    least = edges.resolution / math.sqrt(12) * fit.leverage
    return measured, measured * max(fit.error, least) / fit.bit


def _weigh(sample: Edges, overrides: LineOverrides) -> list[_Weighed]:
    """Every hypothesis with its score, the best first."""
    times = sample.ticks.astype(float)
    if overrides.baud is not None:
        trials = [1 / (overrides.baud * sample.tick)]
    else:
        trials = bit_time_candidates(times, sample.resolution)
    idles = (0, 1) if overrides.idle is None else (overrides.idle,)
    bodies = range(6, 12)
    if overrides.frame is not None:
        body = LineTiming(1.0, 1, overrides.frame).body
        bodies = range(body, body + 1)
    refine = overrides.baud is None
    guesses = glance(sample.part(0, min(len(sample), _GLANCE)), trials, idles, bodies)
    left = [
        (guess.timing, first_away(sample, guess.timing.idle))
        for guess in guesses[:_WEEDED]
        if guess.score > guesses[0].score - _far(min(len(sample), _GLANCE))
    ]
    for size, kept in _LOOKS:
        look = sample.part(0, min(len(sample), size))
        found = []
        for timing, start in left:
            if len(look) == len(sample) or size == _SAMPLE:
                start = _best_start(look, timing, start, overrides.frame)
            again = account_for(look, timing.bit, timing.idle, timing.body, refine=refine, start=start)
            if again is not None:
                found.extend(_read(again, look, overrides.frame))
        found.sort(key=lambda item: -item.score)
        if len(look) == len(sample):
            break
        left = [
            (item.account.timing, item.account.start)
            for item in _distinct(found, by_body=True)[:kept]
            if item.score > found[0].score - _far(len(look))
        ]
    return _distinct(found)


def _far(edges: int) -> float:
    return _FAR + _FAR_AN_EDGE * edges


def _best_start(edges: Edges, timing: LineTiming, first: int, only: FrameFormat | None) -> int:
    """Where to start reading: a capture may begin in the middle of a frame, with data bits."""
    rested = float(edges.ticks[first]) if edges.first_level == timing.idle else 0.0
    if rested >= timing.body * timing.bit:
        return first
    look = edges.part(0, min(len(edges), _BEGINNING))
    best, most = first, -math.inf
    for start in range(first, min(first + 2 * timing.body, len(look) - 1), 2):
        trial = account_for(look, timing.bit, timing.idle, timing.body, refine=False, start=start)
        if trial is not None:
            score = max((reading.score for reading in readings(trial, only)), default=-math.inf)
            if score > most:
                best, most = start, score
    return best


def _read(account: Account, edges: Edges, only: FrameFormat | None) -> list[_Weighed]:
    prior = rate_prior(1 / (account.timing.bit * edges.tick))
    return [_Weighed(account, reading, reading.score + prior) for reading in readings(account, only)]


def _near(one: _Weighed, other: _Weighed) -> bool:
    """Whether two hypotheses have the same bit time and idle level."""
    first, second = one.account.timing, other.account.timing
    return first.idle == second.idle and abs(first.bit / second.bit - 1) < 0.03


def _same(one: _Weighed, other: _Weighed) -> bool:
    """Whether two hypotheses read the same bytes: all but the stop bits is equal."""
    a, b = one.reading.frame, other.reading.frame
    return _near(one, other) and _bytes_of(a) == _bytes_of(b)


def _cells_of(bits: int, parity: Parity) -> int:
    return 1 + bits + (parity is not Parity.NONE)


def _bytes_of(frame: FrameFormat) -> tuple[int, Parity]:
    """What of a frame format decides its bytes. On the line a mark parity bit is one more stop bit."""
    return frame.data_bits, Parity.NONE if frame.parity is Parity.MARK else frame.parity


def _distinct(items: list[_Weighed], *, by_body: bool = False) -> list[_Weighed]:
    """Trials that ended at the same bit time are one hypothesis: the first of each stays."""
    kept: dict[tuple[object, ...], list[_Weighed]] = {}
    found = []
    for item in items:
        timing = item.account.timing
        key: tuple[object, ...] = (timing.idle, item.account.body if by_body else item.reading.frame)
        rivals = kept.setdefault(key, [])
        if any(_near(item, rival) for rival in rivals):
            continue
        rivals.append(item)
        found.append(item)
    return found


def _clocked(sample: Edges, weighed: list[_Weighed]) -> float:
    bits = {item.account.timing.bit for item in weighed[:40]}
    return max(clocked_bits(sample, bit) for bit in bits)


def _grouped(weighed: list[_Weighed]) -> _Groups:
    """The hypotheses by all that `_same` asks for but the bit time."""
    groups: _Groups = {}
    for item in weighed:
        groups.setdefault(_group(item), []).append(item)
    return groups


def _group(item: _Weighed) -> tuple[int, int, Parity]:
    return item.account.timing.idle, *_bytes_of(item.reading.frame)


def _alike(item: _Weighed, groups: _Groups) -> list[float]:
    """The scores of all hypotheses that read the same bytes."""
    return [other.score for other in groups[_group(item)] if _near(item, other)]


def _likeliest(weighed: list[_Weighed], groups: _Groups) -> _Weighed:
    """The best hypothesis of the likeliest answer: those that read the same bytes count together."""
    leaders: list[_Weighed] = []
    for item in weighed[:40]:
        if not any(_same(item, leader) for leader in leaders):
            leaders.append(item)
    return max(leaders, key=lambda leader: log_of_sum(_alike(leader, groups)))


def _alternatives(
    weighed: list[_Weighed],
    groups: _Groups,
    best: _Weighed,
    total: float,
    edges: Edges,
    given: FrameFormat,
) -> tuple[Alternative, ...]:
    """What else the line may be: what is likely, and what the waveform refutes no more than the best."""
    found: list[Alternative] = []
    told: list[_Weighed] = []
    baud = nearest_usual_rate(1 / (best.account.timing.bit * edges.tick), 0.0)
    cells = _cells_of(given.data_bits, given.parity)
    _, stop_known = stop_bits(best.account, cells)
    room = float(best.account.spacing.min()) - cells if len(best.account.spacing) else 2.0
    share = math.exp(log_of_sum(_alike(best, groups)) - total)
    for stop in (1.0, 1.5, 2.0):
        if not stop_known and stop != given.stop_bits and stop <= room + 0.2:
            frame = FrameFormat(given.data_bits, given.parity, stop)
            why = "the same bytes; dead time hides the stop bits"
            found.append(Alternative(baud, best.account.timing.idle, frame, share, why))
    if given.parity is Parity.NONE and room > 1.8:
        frame = FrameFormat(given.data_bits, Parity.MARK)
        why = "the same bytes; on the line a mark parity bit is one more stop bit"
        found.append(Alternative(baud, best.account.timing.idle, frame, share, why))
    for item in weighed:
        if len(found) >= _MOST_ALTERNATIVES:
            break
        if _same(item, best) or any(_same(item, other) for other in told):
            continue
        probability = math.exp(log_of_sum(_alike(item, groups)) - total)
        account, frame = item.account, item.reading.frame
        equal = (
            _near(item, best)
            and account.framing_errors + account.breaks <= best.account.framing_errors + best.account.breaks
            and item.reading.parity_errors <= best.reading.parity_errors
            and item.score > best.score - 16
        )
        if probability < 0.005 and not equal:
            continue
        told.append(item)
        if frame.parity is Parity.SPACE:
            why = "the cell before the stop bit never changes"
        elif _near(item, best):
            why = "no frame refutes it"
        else:
            why = "another bit time or idle level explains the edges nearly as well"
        other_baud = nearest_usual_rate(1 / (account.timing.bit * edges.tick), 0.0)
        bits, parity = _bytes_of(frame)
        shown_as = FrameFormat(bits, parity, stop_bits(account, _cells_of(bits, parity))[0])
        found.append(Alternative(other_baud, account.timing.idle, shown_as, probability, why))
    return tuple(found)
