"""A comparison as ``compare`` gives it: one JSON document, or text for a person."""

from __future__ import annotations

from typing import Any

from profiles.bench.comparison import Comparison, Verdict

__all__ = ["comparison_json", "comparison_text"]

_SHOWN = 24
_VERDICTS = {
    Verdict.SAME: "the replay is the same as the original",
    Verdict.DEAD_TIME_DIFFERS: "the replay is the same as the original but for its dead time: no mismatch",
    Verdict.DIFFERENT: "the replay differs from the original",
}


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """The document of ``compare --json``."""
    return {
        "verdict": comparison.verdict.value,
        "matches": comparison.matches,
        "reasons": list(comparison.reasons),
        "notes": list(comparison.notes),
        "frames": {"original": comparison.frames[0], "replay": comparison.frames[1]},
        "changes": [
            {
                "original_at": change.original_at,
                "replay_at": change.replay_at,
                "original": list(change.original),
                "replay": list(change.replay),
            }
            for change in comparison.changes
        ],
        "bit_time_ratio": comparison.bit_ratio,
        "worst_edge_bits": comparison.worst_edge,
        "worst_edge_at": comparison.worst_edge_at,
        "dead_times": [
            {"at": each.at, "original_s": each.original, "replay_s": each.replay, "differs": each.differs}
            for each in comparison.dead_times
        ],
        "tolerance": {
            "rate": comparison.tolerance.rate,
            "edge_bits": comparison.tolerance.edge,
            "source": comparison.tolerance.source,
        },
    }


def comparison_text(comparison: Comparison) -> str:
    """A comparison for a person to read."""
    tolerance = comparison.tolerance
    lines = [_VERDICTS[comparison.verdict]]
    lines += [f"  because     {reason}" for reason in comparison.reasons]
    lines += [f"  note        {note}" for note in comparison.notes]
    lines.append(
        f"  bytes       {comparison.frames[0]} in the original, {comparison.frames[1]} in the replay"
    )
    if comparison.bit_ratio is not None:
        lines.append(
            f"  bit time    {100 * (comparison.bit_ratio - 1):+.3f} % (tolerance {100 * tolerance.rate:g} %)"
        )
    if comparison.worst_edge is not None:
        lines.append(
            f"  edges       at worst {comparison.worst_edge:+.3f} bit times, in byte "
            f"{comparison.worst_edge_at} (tolerance {tolerance.edge:g})"
        )
    lines.append(f"  tolerance   {tolerance.source}")
    shown = [each for each in comparison.dead_times if each.differs] or list(comparison.dead_times)
    if shown:
        lines.append("  dead time   before byte   original      replay")
        lines += [
            f"              {each.at:11d}   {each.original * 1e3:8.3f} ms   {each.replay * 1e3:8.3f} ms"
            f"{'   differs' if each.differs else ''}"
            for each in shown[:_SHOWN]
        ]
        if len(shown) > _SHOWN:
            lines.append(f"              ... and {len(shown) - _SHOWN} more")
    return "\n".join(lines) + "\n"
