"""The fast way to read a table gives what the plain way gives, whatever stands in the file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from profiles.bench.edges import FloatArray
from profiles.bench.readers import fast, table
from profiles.bench.readers.fast import fast_parse, parsed
from profiles.bench.readers.numbers import NumberReader
from profiles.bench.readers.opening import read_capture
from profiles.bench.readers.shape import Column, TableShape

pytest.importorskip("polars", reason="polars is not installed (`make slow` installs it; the extra `fast`)")

_CELLS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.decimals(-1000, 1000, places=6).map(str),
    st.integers(-(10**20), 10**20).map(str),
    st.sampled_from(
        [
            "",
            "nan",
            "-nan",
            "NaN",
            "inf",
            "-inf",
            "Infinity",
            "1e5",
            "1E-5",
            "+1.5",
            "1.",
            ".5",
            "-.5",
            ".",
            "-",
        ]
    ),
    st.sampled_from(
        [
            "1e",
            "0x10",
            "1_000",
            "1d5",
            " 1.5",
            "1.5 ",
            "on",
            "high",
            "1,5",
            '"1.5"',
            "1e400",
            "#",
            "é",
            "--",
            "1-",
        ]
    ),
    st.text(st.characters(codec="utf-8", exclude_characters="\n\r\0"), max_size=4),
)
_ROWS = st.lists(st.lists(_CELLS, min_size=0, max_size=4), min_size=1, max_size=6)


def shape_of(width: int, delimiter: str, decimal: str) -> TableShape:
    return TableShape(delimiter, decimal, 0, [Column(place) for place in range(width)])


@settings(max_examples=300)
@given(
    rows=_ROWS,
    good=st.lists(st.lists(st.floats(-9, 9).map(repr), min_size=3, max_size=3), max_size=3),
    marks=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("|", ",")]),
    end=st.sampled_from(["\n", "\r\n"]),
    last=st.booleans(),
)
@example(rows=[["1", "2", "3"]], good=[], marks=(";", ","), end="\n", last=True)
@example(rows=[["1", "2", "3", ""]], good=[], marks=(",", "."), end="\n", last=True)
def test_a_block_is_read_as_the_plain_way_reads_it(
    rows: list[list[str]], good: list[list[str]], marks: tuple[str, str], end: str, last: bool
) -> None:
    delimiter, decimal = marks
    text = end.join(delimiter.join(row).replace(".", decimal) for row in good + rows) + end * last
    shape = shape_of(3, delimiter, decimal)
    parse = fast_parse(shape)
    assert parse is not None
    block = text.encode()
    found = parse(block)
    if found is not None:
        expected = NumberReader(shape).columns(block)
        assert len(found) == len(expected) == 3
        for ours, theirs in zip(found, expected, strict=True):
            assert np.array_equal(ours, theirs, equal_nan=True)


def test_plain_numbers_are_read_fast() -> None:
    numbers = np.random.default_rng(4).normal(size=(1000, 2))
    block = "".join(f"{a!r};{b:.3e}\n" for a, b in numbers.tolist()).replace(".", ",").encode()
    parse = fast_parse(shape_of(2, ";", ","))
    assert parse is not None
    found = parse(block)
    assert found is not None
    assert found[0].tolist() == numbers[:, 0].tolist()


@pytest.mark.parametrize("cut", [False, True])
def test_a_file_is_read_as_the_plain_way_reads_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: bool
) -> None:
    path = tmp_path / "scope.csv"
    rng = np.random.default_rng(5)
    rows = [f"{at * 1e-5:.5f},{volt:.3f},{at % 7 // 4}" for at, volt in enumerate(rng.normal(2, 1, 4000))]
    rows[1500] = "a stray line"
    rows[2700] = rows[2700].replace(",", ",,", 1)[:12]
    path.write_text("Time (s),CH1 (V),D0\n" + "\n".join(rows) + "\n0.5,1" * cut)
    monkeypatch.setattr(table, "_BLOCK", 5000)
    plain = read_capture(path)
    monkeypatch.setattr(table, "FAST_FROM", 0)
    asked = []
    real = fast._Parse.__call__

    def counted(self: fast._Parse, block: bytes) -> Sequence[FloatArray] | None:
        found = real(self, block)
        asked.append(found is not None)
        return found

    monkeypatch.setattr(fast._Parse, "__call__", counted)
    quick = read_capture(path)
    assert sum(asked) > len(asked) / 2
    assert not all(asked)
    assert quick.notes == plain.notes
    for ours, theirs in zip(quick.channels, plain.channels, strict=True):
        assert (ours.name, ours.kind, ours.notes) == (theirs.name, theirs.kind, theirs.notes)
        assert ours.time is not None
        assert theirs.time is not None
        assert (ours.time.interval, ours.time.count, ours.time.knots) == (
            theirs.time.interval,
            theirs.time.count,
            theirs.time.knots,
        )
        if theirs.samples is None:
            assert ours.edges()[0].ticks.tolist() == theirs.edges()[0].ticks.tolist()
        else:
            assert ours.samples is not None
            assert np.array_equal(ours.samples, theirs.samples)


def test_blocks_come_in_their_order() -> None:
    blocks = [f"{number}\n".encode() * (20 - number) for number in range(20)]
    parse = fast_parse(shape_of(1, ",", "."))
    read = [(block, columns) for block, columns in parsed(blocks, parse)]
    assert [block for block, _ in read] == blocks
    assert [set(columns[0].tolist()) for _, columns in read if columns is not None] == [
        {n} for n in range(20)
    ]
