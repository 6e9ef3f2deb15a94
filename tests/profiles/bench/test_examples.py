"""The shipped example captures: small, what their generator makes, and saying what the profile sends."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from docs.make_captures import HERE, TAKES, Take, capture_text
from profiles.bench.decoding import DecodeOptions, decode_capture
from profiles.bench.samples import Source, read_samples
from profiles.library import find
from tests.profiles.bench.programs import need

by_file = pytest.mark.parametrize("take", TAKES, ids=lambda take: take.file)


@by_file
def test_an_example_says_what_the_profile_sends(take: Take) -> None:
    path = HERE / take.file
    assert path.stat().st_size < 300_000
    profile = find("pellgate-chain").load()
    found = decode_capture(path, DecodeOptions(burst_gap_bits=30))
    assert [channel.name for channel in found.channels] == ["CH1", "CH2"]
    for channel in found.channels:
        (burst,) = channel.main.bursts
        assert channel.main.data(burst) == profile.action(take.action).message({}, address=1).data
        fit = channel.main.fit
        assert (fit.baud, str(fit.frame), fit.idle) == (profile.profile.line.baud, "8N1", 1)
    assert found.loop is not None
    assert (found.loop.source, found.loop.hops, found.loop.complete) == ("CH1", 2, True)


def test_the_examples_are_all_there_is() -> None:
    assert sorted(path.name for path in HERE.iterdir()) == sorted(take.file for take in TAKES)
    # Sixteen samples a bit time at least.
    base = decode_capture(HERE / TAKES[0].file).capture.channels[0].time
    assert base is not None
    assert 1 / 4800 / base.interval > 16


def test_lockstep_is_no_dead_time_of_the_senders() -> None:
    # The lead unit lets 0.15 to 0.25 bit times pass after each echo: nothing that a sender has to keep.
    line, _ = read_samples([Source("power-on", HERE / TAKES[0].file)], DecodeOptions())
    assert line.looped
    assert line.dead_time < 0.5 / 4800
    # An echo takes two frames and a little: what ends a message has to be longer.
    assert line.gap > 21 / 4800


def rows(text: str) -> np.typing.NDArray[np.float64]:
    return np.array([line.split(",") for line in text.splitlines()[2:]], float)


@pytest.mark.slow
@by_file
def test_an_example_is_what_its_generator_makes(take: Take) -> None:
    made = capture_text(take, need("ngspice", "ngspice"))
    kept = Path(HERE / take.file).read_text(encoding="ascii")
    assert made.splitlines()[:2] == kept.splitlines()[:2]
    ours, theirs = rows(made), rows(kept)
    assert (ours[:, 0] == theirs[:, 0]).all()
    # Another release of ngspice may round another way: one step of the oscilloscope, here and there.
    steps = np.abs(ours[:, 1:] - theirs[:, 1:]) / (10 / 256)
    assert steps.max() < 3
    assert (steps > 0.1).mean() < 0.01
