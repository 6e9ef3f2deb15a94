"""What a table of measured values looks like, found from its first lines and from nothing else.

Delimiter and decimal sign are the pair that makes the most lines come out as rows of numbers. What stands
above those rows is searched for column names, units and a sample interval; what the columns are follows
from names, units and the values themselves.
"""

from __future__ import annotations

import enum
import itertools
import re
from dataclasses import dataclass, field

from profiles.errors import FileUnreadable

__all__ = ["Column", "Role", "TableShape", "table_shape"]

_PAIRS = (
    (",", "."),
    (";", "."),
    ("\t", "."),
    (";", ","),
    ("\t", ","),
    ("|", "."),
    ("|", ","),
    (" ", "."),
    (" ", ","),
    (",", ","),
)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(nan|inf|infinity)", re.IGNORECASE)
_LOGIC_WORDS = {"low": 0, "high": 1, "false": 0, "true": 1, "off": 0, "on": 1, "l": 0, "h": 1}
_TIME_UNITS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1.0),
    **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), 1e-3),
    **dict.fromkeys(("us", "µs", "μs", "usec", "microsecond", "microseconds"), 1e-6),
    **dict.fromkeys(("ns", "nsec", "nanosecond", "nanoseconds"), 1e-9),
    **dict.fromkeys(("ps", "picosecond", "picoseconds"), 1e-12),
}
_VOLT_UNITS = {
    **dict.fromkeys(("v", "volt", "volts"), 1.0),
    **dict.fromkeys(("mv", "millivolt", "millivolts"), 1e-3),
    **dict.fromkeys(("uv", "µv", "μv"), 1e-6),
    "kv": 1e3,
}
_RATE_UNITS = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
_INTERVAL = re.compile(
    r"\b(sampl\w*[ _]*(interval|period|time)|time[ _]*(per[ _]*sample|step|increment)|x?[ _]*incr\w*|"
    r"delta[ _]?[tx]|d[tx])\b",
    re.IGNORECASE,
)
_RATE = re.compile(r"\bsampl\w*[ _]*(rate|freq\w*)\b", re.IGNORECASE)
_TIME_NAME = re.compile(r"^(time\w*|t|x|zeit|temps|tempo|seconds?|timestamp)\b", re.IGNORECASE)
_INDEX_NAME = re.compile(r"^(#|n|no\.?|idx|index|samples?|sequence|point|row)$", re.IGNORECASE)
_UNIT = re.compile(r"[(\[{]\s*([^)\]}]*?)\s*[)\]}]\s*$")
_LOOKED_AT = 400
"""Rows of values that the columns are judged by."""


class Role(enum.Enum):
    """What a column is."""

    TIME = "time"
    INDEX = "index"
    """The number of the row: says nothing."""
    VOLTAGE = "voltage"
    LOGIC = "logic"
    IGNORED = "ignored"


@dataclass(slots=True)
class Column:
    """One column of numbers."""

    field: int
    """Its place among the fields of a row, from 0."""
    name: str = ""
    unit: str = ""
    scale: float = 1.0
    """From what is written to seconds or volts."""
    role: Role = Role.VOLTAGE
    words: bool = False
    """Whether levels are written as words."""

    @property
    def label(self) -> str:
        """How to call it to a person."""
        return f"column {self.field + 1}" + (f" {self.name!r}" if self.name else "")


@dataclass(slots=True)
class TableShape:
    """How to read a table."""

    delimiter: str
    decimal: str
    header_lines: int
    """Lines before the first row of values."""
    columns: list[Column]
    interval: float | None = None
    """Seconds between rows, where a line above the values says so."""
    quoted: bool = False
    """Whether values stand in quotation marks."""
    details: dict[str, str] = field(default_factory=dict)
    """Pairs of a name and a value from above the values."""

    @property
    def words(self) -> bool:
        """Whether any column has its levels as words."""
        return any(column.words for column in self.columns)

    def with_role(self, role: Role) -> list[int]:
        """Indices among ``columns`` of those with a role."""
        return [index for index, column in enumerate(self.columns) if column.role is role]


def split_fields(line: str, delimiter: str) -> list[str]:
    """A line's fields, quotation marks and blanks around them taken off."""
    if delimiter == " ":
        return line.replace('"', "").split()
    if '"' not in line:
        return [part.strip() for part in line.split(delimiter)]
    fields, inside, current = [], False, ""
    for char in line:
        if char == '"':
            inside = not inside
        elif char == delimiter and not inside:
            fields.append(current.strip())
            current = ""
        else:
            current += char
    fields.append(current.strip())
    return fields


def number(text: str, decimal: str) -> float | None:
    """The number that a field says, a level's word included; None for anything else."""
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    if _NUMBER.fullmatch(text):
        return float(text)
    word = _LOGIC_WORDS.get(text.lower())
    return None if word is None else float(word)


def _row(line: str, delimiter: str, decimal: str) -> tuple[int, ...] | None:
    """The places of the numbers in a line, or None where it is no row of values."""
    fields = split_fields(line, delimiter)
    places = []
    for place, text in enumerate(fields):
        if not text:
            continue
        if number(text, decimal) is None:
            return None
        places.append(place)
    return tuple(places) or None


def table_shape(head: str, where: str) -> TableShape:
    """Find out how a table is written.

    Args:
        head: its first lines.
        where: the file's name, for errors.

    Raises:
        FileUnreadable: there are no rows of numbers.
    """
    lines = head.splitlines()
    best: tuple[int, int, str, str, int, tuple[int, ...]] | None = None
    for delimiter, decimal in _PAIRS:
        rows = [_row(line, delimiter, decimal) for line in lines]
        counts: dict[tuple[int, ...], int] = {}
        for row in rows:
            if row:
                counts[row] = counts.get(row, 0) + 1
        if not counts:
            continue
        places = max(counts, key=lambda key: (counts[key], len(key)))
        first = next(index for index, row in enumerate(rows) if row == places)
        rank = (counts[places], len(places))
        if best is None or rank > best[:2]:
            best = (*rank, delimiter, decimal, first, places)
    if best is None:
        raise FileUnreadable(
            "there are no rows of numbers in it",
            where=where,
            todo="export the capture as CSV, VCD or a recording",
        )
    _, _, delimiter, decimal, first, places = best
    shape = TableShape(delimiter, decimal, first, [Column(place) for place in places])
    shape.quoted = '"' in lines[first]
    _read_header(shape, lines[:first])
    values = [split_fields(line, delimiter) for line in lines[first : first + _LOOKED_AT]]
    _judge(shape, [row for row in values if len(row) > places[-1]])
    return shape


def _read_header(shape: TableShape, header: list[str]) -> None:
    """Take names, units and the sample interval from the lines above the values."""
    rows = [split_fields(line.lstrip("#%;/ "), shape.delimiter) for line in header]
    least = shape.columns[-1].field + 1
    named = [
        index
        for index, row in enumerate(rows)
        if len([cell for cell in row if cell]) >= 1 and len(row) >= least
    ]
    units_row: list[str] = []
    if named:
        last = named[-1]
        if _are_units(rows[last]) and last - 1 in named:
            units_row, last = rows[last], last - 1
        for column in shape.columns:
            column.name = rows[last][column.field]
            if units_row:
                column.unit = units_row[column.field].strip("()[] ")
        for name, value in zip(rows[last], units_row, strict=False):
            _take_detail(shape, name, value)
    for line, row in zip(header, rows, strict=True):
        cells = [cell for cell in row if cell]
        if len(cells) == 1:
            cells = [part.strip() for part in re.split(r"[:=]", line.lstrip("#%;/ "), maxsplit=1)]
        if len(cells) >= 2:
            unit = cells[2] if len(cells) > 2 else ""
            _take_detail(shape, cells[0], cells[1], unit)
    for column in shape.columns:
        found = _UNIT.search(column.name)
        if found and not column.unit:
            column.unit = found.group(1)


def _are_units(row: list[str]) -> bool:
    """Whether a line says units."""
    cells = [cell.strip("()[] ").lower() for cell in row if cell]
    known = [cell for cell in cells if cell in _TIME_UNITS or cell in _VOLT_UNITS or _INDEX_NAME.match(cell)]
    return bool(known) and len(known) >= len([cell for cell in cells if not _NUMBER.fullmatch(cell)])


def _take_detail(shape: TableShape, name: str, value: str, unit: str = "") -> None:
    if not name or not value:
        return
    shape.details.setdefault(name.rstrip(":= "), value)
    text = value.replace(",", ".") if shape.decimal == "," else value
    found = re.match(r"\s*([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*(.*)$", text)
    if not found or shape.interval is not None:
        return
    try:
        amount = float(found.group(1))
    except ValueError:
        return
    own = _UNIT.search(name)
    unit = (found.group(2) or unit or (own.group(1) if own else "")).strip("()[] ")
    if _INTERVAL.search(name) and amount > 0:
        scale = _TIME_UNITS.get(unit.lower(), None if unit else 1.0)
        if scale is not None:
            shape.interval = amount * scale
    elif _RATE.search(name) and amount > 0:
        prefix = re.match(r"([kKMG]?)(sa|s|hz)", unit, re.IGNORECASE)
        shape.interval = 1 / (amount * _RATE_UNITS[prefix.group(1).lower()]) if prefix else 1 / amount


def _judge(shape: TableShape, rows: list[list[str]]) -> None:
    """Decide what each column is."""
    for column in shape.columns:
        cells = [row[column.field] for row in rows]
        unit = column.unit.lower()
        distinct = {cell.lower() for cell in cells if cell}
        if distinct <= set(_LOGIC_WORDS):
            column.role, column.words = Role.LOGIC, True
        elif distinct <= {"0", "1"} and unit not in _VOLT_UNITS:
            column.role = Role.LOGIC
        elif unit in _VOLT_UNITS:
            column.scale = _VOLT_UNITS[unit]
    timed = [column for column in shape.columns if _rises(column, rows, shape.decimal)]
    chosen = _time_column(shape, timed)
    for column in timed:
        if column is chosen:
            column.role = Role.TIME
            column.scale = _TIME_UNITS.get(column.unit.lower(), 1.0)
        elif (
            _INDEX_NAME.match(column.name)
            or column.unit.lower() in _TIME_UNITS
            or _TIME_NAME.match(column.name)
        ):
            column.role = Role.INDEX


def _rises(column: Column, rows: list[list[str]], decimal: str) -> bool:
    values = [number(row[column.field], decimal) for row in rows]
    known = [value for value in values if value is not None]
    if len(known) < 2:
        return bool(_TIME_NAME.match(column.name))
    back = sum(after < before for before, after in itertools.pairwise(known))
    named = bool(_TIME_NAME.match(column.name)) or column.unit.lower() in _TIME_UNITS
    rising = known[-1] > known[0] and back == 0 and len(set(known)) > min(len(known) / 20, 3)
    return rising or (named and column.role is not Role.LOGIC)


def _time_column(shape: TableShape, rising: list[Column]) -> Column | None:
    """The column that says the time; a column that counts rows is none where an interval is given."""
    for column in rising:
        sequence = column.unit.lower() in ("sequence", "samples", "points")
        if (_TIME_NAME.match(column.name) or column.unit.lower() in _TIME_UNITS) and not sequence:
            return column
    unnamed = [
        column
        for column in rising
        if not _INDEX_NAME.match(column.name) and column.unit.lower() != "sequence"
    ]
    for column in rising:
        if column not in unnamed:
            column.role = Role.INDEX
    first = shape.columns[0]
    if first in unnamed and first.role is not Role.LOGIC and (len(shape.columns) > 1):
        return first
    return None
