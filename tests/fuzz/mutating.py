"""Inputs made from others word by word: what leaves the rest standing gets further than a spoilt byte."""

from __future__ import annotations

import re
from collections.abc import Sequence
from random import Random

__all__ = ["mutated"]

_WORDS = re.compile(
    rb'"(?:[^"\\\n]|\\.)*"|[A-Za-z_$][\w.$-]*|[-+]?\d[\d.]*(?:[eE][-+]?\d+)?|[ \t]+|.', re.DOTALL
)
_ODD = (
    *(
        b"0",
        b"-1",
        b"1",
        b"255",
        b"256",
        b"65536",
        b"4294967296",
        b"-9223372036854775809",
        b"1e308",
        b"-1e-320",
    ),
    *(b"nan", b"-inf", b"1e999", b"0.1", b"9" * 40, b"true", b"false", b"null", b'""', b"''", b"[]", b"{}"),
    *(
        b"\xff",
        b"\0",
        b"\x1b[2J",
        b"\xe2\x80\xae",
        b"\xed\xa0\x80",
        b'"\\ud800"',
        b"\n",
        b"\r\n",
        b"\t",
        b",",
    ),
    *(b";", b":", b"=", b"[", b"]", b"{", b"}", b'"', b"#", b"[[", b"/", b"\x1e", b"\x1f"),
)
"""Words that programs stumble over."""


def mutated(data: bytes, random: Random, words: Sequence[bytes], others: Sequence[bytes]) -> bytes:
    """An input with a few changes.

    Args:
        data: the input.
        random: chance.
        words: what such inputs are written with.
        others: further inputs, to take pieces from.
    """
    for _ in range(random.choice((1, 1, 1, 2, 3, 5))):
        data = _once(data, random, words, others)
    return data


def _once(data: bytes, random: Random, words: Sequence[bytes], others: Sequence[bytes]) -> bytes:
    way = random.randrange(8)
    if way < 4:
        pieces = _WORDS.findall(data)
        lists: tuple[Sequence[bytes], ...] = (words or _ODD, _ODD, pieces or _ODD)
    else:
        pieces = data.splitlines(keepends=True)
        other = random.choice(others).splitlines(keepends=True) if others else []
        lists = (other or pieces or _ODD, pieces or _ODD, _ODD)
    if not pieces:
        return random.choice(_ODD)
    at = random.randrange(len(pieces))
    match way % 4:
        case 0:
            pieces[at] = random.choice(random.choice(lists))
        case 1:
            pieces.insert(at, random.choice(random.choice(lists)))
        case 2:
            del pieces[at : at + random.choice((1, 1, 1, 2, 8))]
        case 3:
            to = random.randrange(len(pieces))
            pieces[at], pieces[to] = pieces[to], pieces[at]
            if random.randrange(3) == 0:
                pieces[at:at] = pieces[min(at, to) : max(at, to) + 1][:200]
    return b"".join(pieces)
