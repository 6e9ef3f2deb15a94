"""The evidence for a line's settings, and why a line is none, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from profiles.bench.bit_time import BitFit
from profiles.bench.edges import Edges
from profiles.bench.hypotheses import Account, is_clock
from profiles.bench.meanings import Reading, stop_bits
from profiles.bench.rates import difference_from_usual
from profiles.frames import Parity

if TYPE_CHECKING:
    from profiles.bench.line_fit import LineOverrides

__all__ = ["LineEvidence", "evidence_for", "refusal"]


@dataclass(frozen=True, slots=True)
class LineEvidence:
    """One sentence for each answer."""

    rate: str
    idle: str
    frame: str
    stop: str


def evidence_for(
    edges: Edges,
    account: Account,
    reading: Reading,
    fit: BitFit | None,
    overrides: LineOverrides,
) -> LineEvidence:
    """Say what each answer rests on.

    Args:
        edges: of the line.
        account: the best account of the sample.
        reading: its best reading.
        fit: the bit time over all frames.
        overrides: what was given and not found.
    """
    return LineEvidence(
        _rate(edges, account, fit) + (" (the rate to read with was given)" if overrides.baud else ""),
        "given" if overrides.idle is not None else _idle(account),
        "given" if overrides.frame is not None else _frame(account, reading),
        _stop(account, account.body - (reading.frame.parity is Parity.MARK)),
    )


def _rate(edges: Edges, account: Account, fit: BitFit | None) -> str:
    if fit is None:
        return "too few edges to fit a bit time"
    baud = 1 / (fit.bit * edges.tick)
    usual, difference = difference_from_usual(baud)
    text = f"bit time {fit.bit * edges.tick * 1e6:.5g} us"
    if np.isfinite(fit.error):
        error = max(fit.error, edges.resolution / math.sqrt(12) * fit.leverage)
        text += f" +- {error * edges.tick * 1e6:.2g} us ({baud:.6g} +- {baud * error / fit.bit:.2g} baud)"
    else:
        text += f" ({baud:.6g} baud; too few edges for its standard error)"
    text += f" over {fit.edges} edges of {fit.frames} frames; {difference:+.2%} from {usual:g}"
    if not fit.shift_known:
        text += "; a shift between rising and falling edges would go unseen here"
    elif abs(fit.shift) > 0.02 * account.timing.bit:
        text += f"; edges back to idle come {fit.shift / fit.bit:+.2f} bit times late"
    return text


def _idle(account: Account) -> str:
    level = "high" if account.timing.idle else "low"
    bad = account.framing_errors + account.breaks
    return f"with {level} as idle, {account.frames - bad} of {account.frames} frames end in a stop bit"


def _frame(account: Account, reading: Reading) -> str:
    cells = account.body - 1
    text = f"{account.frames} frames with {cells} cells between start and stop bit"
    distinct = len(np.unique(account.words))
    if reading.frame.parity is not Parity.NONE:
        right = len(account.words) - reading.parity_errors
        text += f"; {reading.frame.parity.name.lower()} parity is right in {right}, {distinct} different ones"
    elif distinct:
        odd = np.bitwise_count(account.words >> 1 & ((1 << cells) - 1)) & 1
        if 0 < int(odd.sum()) < len(odd):
            text += "; neither even nor odd parity fits all of them"
        else:
            text += f"; their last cell could be parity, {distinct} different ones don't tell"
    return text


def _stop(account: Account, cells: int) -> str:
    if not len(account.spacing):
        return "one frame alone does not show its stop bits"
    least = float(account.spacing.min()) - cells
    if stop_bits(account, cells)[1]:
        return f"the closest frames leave {least:.2f} bit times between them"
    return f"at least {least:.2f} bit times pass between frames: dead time hides the number of stop bits"


def refusal(edges: Edges, account: Account | None) -> str:
    """Why a line is no asynchronous serial line, as far as it can be said."""
    if len(edges) == 0:
        level = "high" if edges.first_level else "low"
        return f"the line never changes: it is {level} from the beginning to the end"
    if len(edges) == 1:
        return "the line changes once and that is all"
    runs = np.diff(edges.ticks[: 1 << 16].astype(np.float64))
    spread = float(np.std(runs) / np.mean(runs))
    start = "not an asynchronous serial line, because "
    if (spread < 0.05 and len(runs) > 20) or is_clock(edges):
        return start + f"it changes every {np.mean(runs) * edges.tick:.4g} s all the time: a clock"
    if account is None:
        return start + "no frame can be read at any bit time"
    bad = account.framing_errors + account.breaks
    baud = 1 / (account.timing.bit * edges.tick)
    if bad > 0.1 * account.frames:
        return (
            start
            + f"even at the best bit time ({baud:.4g} baud) {bad} of {account.frames} frames have no stop bit"
        )
    return start + f"its edges keep to no bit time (the nearest is {baud:.4g} baud)"
