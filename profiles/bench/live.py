"""What a second adapter heard on the line, against how it was captured: the comparison of live traffic."""

from __future__ import annotations

from collections.abc import Sequence

from profiles.bench.capture import Heard, RecordedLine
from profiles.bench.comparison import Comparison, Tolerance, compare
from profiles.bench.decoding import DecodedSegment, DecodeOptions, decode_heard

__all__ = ["compare_heard"]


def compare_heard(
    original: DecodedSegment,
    heard: Sequence[Heard],
    line: RecordedLine,
    *,
    options: DecodeOptions | None = None,
    tolerance: Tolerance | None = None,
) -> Comparison:
    """Compare what an adapter hears of a line with the original.

    Bytes are compared and whether each came; an adapter tells nothing of edges, and its times are shown and
    not judged.

    Args:
        original: the line as it was captured, as a recording has it, or as an adapter heard it before.
        heard: what the second adapter heard, with times in seconds from any start, in their order.
        line: the line settings that it listened with.
        options: where a burst ends.
        tolerance: as for `compare`.

    Raises:
        NotKnown: one of them has no bytes.
    """
    return compare(original, decode_heard(heard, line, options).main, tolerance)
