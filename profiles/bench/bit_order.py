"""Which bit of a byte comes first: told by text, or by a check byte that adds up in one order only.

A UART sends the least significant bit first, but a maker may have turned the bytes round. Nothing in a
waveform shows it; bytes that read as text in one order, or messages whose last byte is the sum of the
others, do. XOR and most CRCs come out in both orders and say nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from profiles.checksums import find_check
from profiles.frames import BitOrder, reverse_bits

__all__ = ["OrderFinding", "find_bit_order"]

_SUMS = ("sum-8", "sum-8-ones", "sum-8-twos", "sum-8-carry-inverted")
_ENOUGH = math.log(1000)
_MOST_EQUAL = 3
"""How often the same byte counts as text."""


@dataclass(frozen=True, slots=True)
class OrderFinding:
    """The order of the bits, as far as it shows."""

    order: BitOrder | None
    """None where nothing decides it; bytes are then read least significant bit first, as a UART does."""
    evidence: str
    confidence: float

    @property
    def word(self) -> str:
        """As ``decode --json`` says it."""
        return "unknown" if self.order is None else self.order.value


def find_bit_order(messages: Sequence[bytes], data_bits: int) -> OrderFinding:
    """Find the order of the bits.

    Args:
        messages: the bursts, least significant bit first.
        data_bits: in each byte; only 7 and 8 can be told.
    """
    if data_bits not in (7, 8) or not messages:
        return OrderFinding(None, "only bytes of 7 or 8 bits can be told", 0.0)
    distinct = [message for message in dict.fromkeys(messages) if message][:2000]
    turned = [reverse_bits(message, data_bits) for message in distinct]
    by_sum = _by_sum(distinct, turned, data_bits)
    if by_sum is not None:
        return by_sum
    straight, other = _text_score(distinct), _text_score(turned)
    best = max(straight, other)
    if best > _ENOUGH and abs(straight - other) > _ENOUGH:
        order = BitOrder.LSB if straight > other else BitOrder.MSB
        doubt = math.exp(-min(abs(straight - other), 30.0))
        return OrderFinding(order, f"the bytes are text with the {order.value} first", 1 - doubt)
    return OrderFinding(None, "neither text nor a sum decides it; read least significant bit first", 0.0)


def _text_score(messages: Sequence[bytes]) -> float:
    """How much better the bytes are explained as text than as any bytes (natural logarithm)."""
    counts: dict[int, int] = {}
    for message in messages:
        for byte in message:
            counts[byte] = counts.get(byte, 0) + 1
    return sum(min(count, _MOST_EQUAL) * math.log(_text_share(byte) * 256) for byte, count in counts.items())


def _text_share(byte: int) -> float:
    """The share of a byte in text as instruments send it (common practice, no source)."""
    char = chr(byte)
    if "a" <= char <= "z":
        return 0.25 / 26
    if "A" <= char <= "Z":
        return 0.25 / 26
    if "0" <= char <= "9":
        return 0.25 / 10
    if char in " \r\n\t,.":
        return 0.15 / 6
    if 32 < byte < 127:
        return 0.09 / 30
    return 0.01 / 160


def _by_sum(distinct: Sequence[bytes], turned: Sequence[bytes], data_bits: int) -> OrderFinding | None:
    """The order in which every message's last byte is a sum of those before it."""
    if data_bits != 8:
        return None
    found: dict[BitOrder, str] = {}
    tried = 0
    for order, messages in ((BitOrder.LSB, distinct), (BitOrder.MSB, turned)):
        long = [message for message in messages if len(message) >= 3]
        if len(long) < 2:
            return None
        for name in _SUMS:
            for start in (0, 1):
                tried += 1
                compute = find_check(name).compute
                if all(compute(message[start:-1]) == message[-1] for message in long):
                    found.setdefault(order, f"{name} from byte {start + 1}")
    if len(found) != 1:
        return None
    (order, name), *_ = found.items()
    chance = tried / 256.0 ** min(len([m for m in distinct if len(m) >= 3]), 6)
    return OrderFinding(
        order, f"the last byte of every message is its {name} with the {order.value} first", 1 - chance
    )
