"""The ideal line against the tests' own, which is made straight from a frame's cells."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.bench.ideal import ideal_channel, ideal_edges
from profiles.frames import FrameFormat
from profiles.model import LineSettings
from profiles.template import Message, Pause
from tests.profiles.bench.lines import edge_times

LINES = st.builds(
    LineSettings,
    baud=st.sampled_from([300.0, 4800.0, 9600.0, 31250.0, 115200.0]),
    frame=st.sampled_from(["8N1", "8E1", "7O1", "8N2"]),
    bit_order=st.sampled_from(["lsb", "msb"]),
    idle=st.sampled_from(["high", "low"]),
    dead_time_bits=st.sampled_from([0.0, 3.0]),
)


@given(LINES, st.binary(min_size=1, max_size=12), st.integers(1, 3))
@settings(max_examples=60, deadline=None)
def test_it_reads_as_what_was_put_in(line: LineSettings, data: bytes, times: int) -> None:
    data = bytes(value & (1 << line.format.data_bits) - 1 for value in data)
    channel = ideal_channel(Message(data), line, times)
    assert [channel.main.data(burst) for burst in channel.main.bursts] == [data] * times
    assert channel.main.fit.baud_measured == line.baud


def test_its_edges_are_where_a_frames_cells_put_them() -> None:
    line = LineSettings(baud=4800.0, dead_time_bits=2.0)
    data = bytes.fromhex("A5 01 01 02")
    ours = ideal_edges(Message(data, (Pause(2, 10 / 4800),)), line).seconds()
    theirs, _ = edge_times(list(data), FrameFormat.parse("8N1"), 1 / 4800, dead=[0, 2, 10, 2], lead=40.0)
    assert np.allclose(ours, theirs, atol=1e-9)
