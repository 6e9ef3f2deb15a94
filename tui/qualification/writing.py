"""A qualification's report as files: one HTML page, and the JSON document beside it."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.qualifying.document import run_document
from controller.qualifying.statistics import figures_of
from controller.qualifying.trials import Trials
from controller.qualifying.verdict import Verdict, judge
from profiles.errors import BadValue, FileUnwritable
from profiles.storage import save_bytes
from tui.qualification.page import report_page
from tui.telling import as_json

__all__ = ["Report", "make_report", "must_be_free", "report_path", "write_report"]


@dataclass(frozen=True, slots=True)
class Report:
    """What a run came to, ready to be written."""

    verdict: Verdict
    document: dict[str, Any]
    page: str


def make_report(
    run: Trials,
    limits: dict[str, float],
    waveforms: Sequence[tuple[dict[str, object], str, bool]] | None = None,
) -> Report:
    """Judge a run and make its report.

    Args:
        run: the run.
        limits: those that a person gave.
        waveforms: of each comparison its document, its picture, and whether it matches; None for none made.
    """
    figures = figures_of(run)
    differ = None if waveforms is None else sum(not matches for _, _, matches in waveforms)
    verdict = judge(run, figures, limits, waveforms_differ=differ)
    document = run_document(run, figures, verdict, [each for each, _, _ in waveforms or ()])
    return Report(verdict, document, report_page(document, [picture for _, picture, _ in waveforms or ()]))


def report_path(named: str | None, unit: str, at: float, folder: Path | None = None) -> Path:
    """Where the page goes: as named, or by unit and time.

    Raises:
        BadValue: the name does not end in .html.
    """
    if named is not None:
        path = Path(named)
        if path.suffix.lower() != ".html":
            raise BadValue("is no HTML page", where=named, todo="name a file that ends in .html")
        return path
    name = re.sub(r"[^a-z0-9-]+", "-", unit)
    stamp = time.strftime("%Y-%m-%d-%H%M%S", time.localtime(at))
    return (folder or Path()) / f"qualify-{name}-{stamp}.html"


def must_be_free(path: Path, *, replace: bool = False) -> None:
    """See before a unit is switched a hundred times that the report can be written after it.

    Raises:
        BadValue: a file of that name is there already.
        FileUnwritable: there is no such folder.
    """
    if not path.parent.is_dir():
        raise FileUnwritable(
            "there is no such folder", where=str(path.parent), todo="make it, or name another"
        )
    for each in (path, path.with_suffix(".json")):
        if each.exists() and not replace:
            raise BadValue("is there already", where=str(each), todo="name another, or say --replace")


def write_report(path: Path, report: Report) -> tuple[Path, Path]:
    """Write the page and the document beside it; gives both paths.

    Raises:
        FileUnwritable: one of them can't be written.
    """
    beside = path.with_suffix(".json")
    save_bytes(path, report.page.encode("utf-8", "replace"))
    save_bytes(beside, f"{as_json(report.document)}\n".encode("utf-8", "replace"))
    return path, beside
