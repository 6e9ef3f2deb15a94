"""The bit-time fit against its physical limit."""

from __future__ import annotations

import numpy as np
import pytest

from profiles.bench.bit_time import ENOUGH, fit_bit_time, fit_line
from profiles.bench.edges import Edges, FloatArray
from profiles.bench.uart import LineTiming, frame_blocks
from profiles.frames import FrameFormat
from tests.profiles.bench.lines import edge_times, line

FRAME = FrameFormat()


def cramer_rao(times: FloatArray, back: FloatArray, frames: int, jitter: float) -> float:
    """The least standard deviation that any unbiased estimate of the bit time can have, in bit times.

    Edge k of frame f lies at start_f + n bit + r shift with Gaussian jitter: a linear model with a start a
    frame, bit and shift unknown. The bound is the bit's element of the inverse Fisher information (Kay,
    Fundamentals of Statistical Signal Processing: Estimation Theory, chapter 4; from memory).
    """
    starts = [index for index in range(len(times)) if back[index] == 0]
    owner = np.zeros(len(times), int)
    frame = -1
    begun = -100.0
    for index in range(len(times)):
        if index in starts and times[index] >= begun + 9.5:
            frame += 1
            begun = times[index]
        owner[index] = frame
    assert frame + 1 == frames
    design = np.zeros((len(times), frames + 2))
    design[np.arange(len(times)), owner] = 1
    first = np.array([times[owner == f][0] for f in range(frames)])
    design[:, frames] = np.rint(times - first[owner])
    design[:, frames + 1] = back
    information = design.T @ design / jitter**2
    return float(np.sqrt(np.linalg.inv(information)[frames, frames]))


@pytest.mark.slow
@pytest.mark.parametrize("jitter", [0.01, 0.04])
def test_the_spread_lies_on_the_bound_and_the_stated_error_is_right(jitter: float) -> None:
    rng = np.random.default_rng(5)
    words = rng.integers(0, 256, 12).tolist()
    dead = rng.uniform(0, 9, 12).tolist()
    times, back = edge_times(words, FRAME, 1.0, dead=dead, shift=0.05)
    bound = cramer_rao(np.asarray(times - 0.05 * back), back, 12, jitter)
    fitted, stated = [], []
    for _ in range(500):
        noisy = times + rng.normal(0, jitter, len(times))
        edges = Edges(noisy, 1, 1.0, noisy[-1] + 30)
        timing = LineTiming(1.003, 1, FRAME)
        rough = fit_bit_time(frame_blocks(edges, timing), timing)
        assert rough is not None
        timing = LineTiming(rough.bit, 1, FRAME, rough.shift)
        fit = fit_bit_time(frame_blocks(edges, timing), timing)
        assert fit is not None
        fitted.append(fit.bit)
        stated.append(fit.error)
    spread = float(np.std(fitted))
    print(f"jitter {jitter}: {spread / bound:.3f} of the bound, stated {np.mean(stated) / spread:.3f} of it")
    assert spread <= 1.2 * bound
    assert abs(np.mean(fitted) - 1) < 4 * spread / np.sqrt(500)
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(spread, rel=0.2)


def test_a_shift_between_rising_and_falling_edges_is_no_part_of_the_bit_time() -> None:
    words = list(range(0, 256, 5))
    for shift in (-0.2, 0.0, 0.2):
        edges = line(words, "8N1", 9600, shift=shift, dead=1.7)
        timing = LineTiming(1 / 9700, 1, FRAME)
        fit = fit_bit_time(frame_blocks(edges, timing), timing)
        assert fit is not None
        assert fit.bit * 9600 == pytest.approx(1, abs=1e-6)
        assert fit.shift * 9600 == pytest.approx(shift, abs=1e-6)


def test_where_bit_time_and_shift_cannot_be_told_apart_that_is_said() -> None:
    edges = line([0xFF] * 20, "8N1", 9600, dead=5.3)
    timing = LineTiming(1 / 9600, 1, FRAME)
    fit = fit_bit_time(frame_blocks(edges, timing), timing)
    assert fit is not None
    assert not fit.shift_known
    assert fit.bit * 9600 == pytest.approx(1)


def test_no_frame_gives_no_fit() -> None:
    edges = Edges(np.array([5.0]), 1, 1.0, 6.0)
    timing = LineTiming(1.0, 1, FRAME)
    assert fit_bit_time(frame_blocks(edges, timing), timing) is None


def test_a_long_capture_is_fitted_in_stretches_all_over_it() -> None:
    rng = np.random.default_rng(9)
    words = rng.integers(0, 256, 80_000).tolist()
    edges = line(words, "8N1", 9600.0, jitter=0.02, rng=rng, lead=20.0)
    assert len(edges) > ENOUGH
    timing = LineTiming(1 / (9600.0 * edges.tick), 1, FrameFormat())
    some, every = fit_line(edges, timing), fit_bit_time(frame_blocks(edges, timing), timing)
    assert some is not None
    assert every is not None
    assert 0.9 * ENOUGH < some.edges <= ENOUGH < every.edges
    # What is left out makes the fit no worse than its stated error says.
    assert abs(some.bit - every.bit) < 4 * some.error
    assert some.error == pytest.approx(every.error * (every.edges / some.edges) ** 0.5, rel=0.05)
    assert some.error / some.bit < 0.02 / 1000
