"""A qualification's verdict in lines, for a terminal and for the dashboard."""

from __future__ import annotations

from tui.qualification.writing import Report

__all__ = ["report_lines"]

_SIGNS = {True: "✓", False: "✗", None: "–"}


def report_lines(report: Report) -> list[str]:
    """The verdict, each figure against its limit, failures by kind, and how the unit was left."""
    told = report.document
    lines = [f"{told['unit']['id']}: {report.verdict.result.value}: {report.verdict.text}"]
    for check in report.verdict.checks:
        limit = check.limit
        unit = "" if limit.unit == "count" else f" {limit.unit}"
        figure = "-" if check.figure is None else f"{check.figure:.4g}{unit}"
        against = "no limit"
        if limit.value is not None:
            against = f"{'at least' if limit.least else 'at most'} {limit.value:g}{unit}"
        why = f" ({check.why})" if check.why else ""
        lines.append(f"  {_SIGNS[check.met]} {limit.words}: {figure}, {against}{why}")
    lines += [
        f"  {failure['count']} {failure['kind']}: {failure['text']}"
        for failure in told["figures"]["failures"]
    ]
    lines.append(f"  found {told['found']}, left {told['left']}")
    return lines
