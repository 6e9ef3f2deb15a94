"""Line numbers of keys in TOML texts."""

from __future__ import annotations

import itertools
import json
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.locating import Lines, Step, key_text

TEXT = '''\
# a comment [not.a.table] = 1
schema = 1
"quoted key" = "text # no comment ] } ="
dotted.a.b = [1,
  2, # two
  { deep = """
line of a text ] }
""", after = 'x' },
]

[[lists]]
items = [{ hex = "A5" }, { check = "x" }]
[lists.sub]
key = 2
[[lists]]
items = [
    3,
    [ 4,
      5 ],
]
[table.of."a.b"]
date = 1979-05-27 07:32:00
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("schema",), 2),
        (("quoted key",), 3),
        (("dotted",), 4),
        (("dotted", "a", "b", 1), 5),
        (("dotted", "a", "b", 2, "deep"), 6),
        (("dotted", "a", "b", 2, "after"), 8),
        (("lists", 0, "items", 1, "check"), 12),
        (("lists", 0, "sub", "key"), 14),
        (("lists", 1), 15),
        (("lists", 1, "items", 1, 1), 19),
        (("table", "of", "a.b", "date"), 22),
        (("lists", 0, "missing"), 11),
        (("lists", 7, "missing"), 11),
        (("nowhere",), None),
        ((), None),
    ],
)
def test_line_of_a_key(path: tuple[Step, ...], line: int | None) -> None:
    tomllib.loads(TEXT)
    assert Lines(TEXT).line(path) == line
    assert Lines(TEXT.replace("\n", "\r\n")).line(path) == line


def test_a_path_as_it_is_shown() -> None:
    assert key_text(("actions", "power-on", "send", 1, "check")) == "actions.power-on.send[1].check"
    assert key_text(("a b", "\x1b[31m")) == '"a b"."\\u001b[31m"'
    assert key_text(()) == ""


PLAIN = [
    "1", "true", "1_000.5e3", "07:32:00", "1979-05-27 07:32:00", '"a ] } = # \\" b"', "'\\'", '""', "''",
    '"""\nx " "" ] = """', "'''\n' '' # '''", '""""q""""', '"""\\\n  x"""',
]  # fmt: skip


class _Writer:
    """Writes nested data as TOML in ever other ways; every key has a name of its own."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.names = (f"k{number}k" for number in itertools.count())
        self.lines: list[str] = []

    def key(self) -> str:
        name = next(self.names)
        return self.draw(st.sampled_from([name, json.dumps(name), f"'{name}'"]))

    def table(self, head: str, depth: int) -> None:
        for _ in range(self.draw(st.integers(0, 3))):
            dotted = self.key() + (f" . {self.key()}" if self.draw(st.booleans()) else "")
            self.lines.append(f"{dotted} = {self.value(2)} # ]]] {{")
            self.lines += self.draw(st.sampled_from([[], [""], ["# k = ["], ["\t"]]))
        for _ in range(self.draw(st.integers(0, 2)) if depth else 0):
            name = f"{head}.{self.key()}" if head else self.key()
            times = self.draw(st.sampled_from([None, 1, 2]))
            for _ in range(times or 1):
                self.lines.append(f"[[{name}]]" if times else f"[ {name} ]")
                self.table(name, depth - 1)

    def value(self, depth: int) -> str:
        kind = self.draw(st.sampled_from(["plain", "list", "inline"] if depth else ["plain"]))
        count = range(self.draw(st.integers(0, 3)))
        if kind == "list":
            gap = self.draw(st.sampled_from([" ", "\n", " # ] \n"]))
            return f"[{gap}{''.join(f'{self.value(depth - 1)},{gap}' for _ in count)}]"
        if kind == "inline":
            return f"{{{', '.join(f'{self.key()} = {self.value(depth - 1)}' for _ in count)}}}"
        return self.draw(st.sampled_from(PLAIN))


@st.composite
def documents(draw: st.DrawFn) -> str:
    writer = _Writer(draw)
    writer.table("", 2)
    return draw(st.sampled_from(["\n", "\r\n"])).join(writer.lines)


def paths(value: Any, path: tuple[Step, ...] = ()) -> Iterator[tuple[Step, ...]]:
    entries: Any = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    for step, entry in entries:
        yield (*path, step)
        yield from paths(entry, (*path, step))


@given(documents())
def test_every_key_of_a_random_document_is_found_where_it_stands(text: str) -> None:
    lines, found = text.split("\n"), Lines(text)
    for path in paths(tomllib.loads(text)):
        line = found.line(path)
        assert line is not None
        name = next((step for step in reversed(path) if isinstance(step, str)), "")
        if isinstance(path[-1], str):
            assert name in lines[line - 1]
            assert line == next(index for index, content in enumerate(lines, 1) if name in content)


@given(
    st.one_of(
        st.text(),
        st.text(alphabet="ab.=[]{}\"'#\n, \\1"),
        documents().map(lambda text: text[: len(text) // 2]),
    )
)
def test_any_text_gives_lines_or_none(text: str) -> None:
    found = Lines(text)
    for path in (("a",), ("a", "b"), ("a", 0), (0,)):
        line = found.line(path)
        assert line is None or 1 <= line <= text.count("\n") + 1


def test_lists_within_lists_without_end() -> None:
    assert Lines("a = 1\nb = " + "[" * 100_000).line(("a",)) == 1
