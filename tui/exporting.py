"""Sayings into files: CSV for a table program, JSON lines for a program."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import IO

from profiles.errors import BadValue, FileUnwritable
from tui.traffic_store import Saying, Tick

__all__ = ["export_sayings"]

_HEADS = ("time_utc_s", "bus", "direction", "meaning", "bytes", "ticks", "least_lag_ms", "fault", "attempt")


def export_sayings(path: Path, sayings: Iterable[Saying]) -> int:
    """Write sayings into a new file; how many there were.

    Raises:
        BadValue: the file is there already.
        FileUnwritable: it can't be written.
    """
    try:
        # What a broker's clients say may have halves of characters in it, which no file can hold.
        with path.open("x", encoding="utf-8", errors="replace", newline="") as file:
            return _json_lines(file, sayings) if path.suffix == ".jsonl" else _csv(file, sayings)
    except FileExistsError:
        raise BadValue("is there already", where=str(path), todo="choose another name") from None
    except OSError as error:
        raise FileUnwritable(
            f"can't be written ({error.strerror})", where=str(path), todo="look at the folder"
        ) from error


def _ticks(saying: Saying) -> list[str]:
    return [Tick(tick).name.lower() for tick in saying.ticks]


def _least_lag(saying: Saying) -> float | None:
    lags = [lag for lag in saying.lags if not math.isnan(lag)]
    return round(min(lags) * 1000, 3) if lags else None


def _csv(file: IO[str], sayings: Iterable[Saying]) -> int:
    writer = csv.writer(file)
    writer.writerow(_HEADS)
    count = 0
    for saying in sayings:
        count += 1
        lag = _least_lag(saying)
        writer.writerow(
            (
                f"{saying.at:.6f}",
                _no_formula(saying.bus),
                saying.direction.value,
                _no_formula(saying.meaning),
                saying.data.hex(" ").upper(),
                " ".join(_ticks(saying)),
                "" if lag is None else lag,
                _no_formula(saying.fault),
                saying.attempt or "",
            )
        )
    return count


def _no_formula(text: str) -> str:
    """A text that a table program takes for one: it takes a leading = + - @ for a formula."""
    return f"'{text}" if text[:1] in tuple("=+-@") else text


def _json_lines(file: IO[str], sayings: Iterable[Saying]) -> int:
    count = 0
    for saying in sayings:
        count += 1
        document = {
            "time_utc_s": saying.at,
            "bus": saying.bus,
            "direction": saying.direction.value,
            "meaning": saying.meaning,
            "bytes": saying.data.hex(),
            "ticks": _ticks(saying),
            "lags_s": [None if math.isnan(lag) else round(lag, 6) for lag in saying.lags],
            "fault": saying.fault or None,
            "attempt": saying.attempt or None,
        }
        file.write(json.dumps(document, ensure_ascii=False) + "\n")
    return count
