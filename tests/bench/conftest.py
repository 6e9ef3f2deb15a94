"""Where the figures of a run go: to the page named with ``--measured``, and to nowhere without it."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

import pytest

from tests.bench.figures import TABLES
from tests.bench.measured import circumstances, merged


def pytest_addoption(parser: pytest.Parser) -> None:
    """The page that the figures go to."""
    parser.addoption("--measured", metavar="FILE", default=None, help="write the figures of this run there")


def pytest_sessionstart(session: pytest.Session) -> None:
    """Look at the load before anything of ours adds to it."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    session.config.stash[_WHEN] = circumstances(dt.date.today().isoformat(), load)  # noqa: DTZ011 -- the day here


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Write the page, also where a bar was missed: then most of all."""
    page = session.config.getoption("--measured")
    if page and TABLES:
        path = Path(page)
        text = path.read_text("utf-8") if path.exists() else ""
        path.write_text(merged(text, TABLES, session.config.stash[_WHEN]), "utf-8")


_WHEN = pytest.StashKey[str]()
