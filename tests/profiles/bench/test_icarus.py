"""Lines out of Icarus Verilog, whose transmitters and repeaters have nothing to do with our own code."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

from profiles.bench.decoding import DecodeOptions, Decoding, decode_capture
from profiles.frames import FrameFormat, Parity
from tests.profiles.bench.programs import need, run

SOURCE = Path(__file__).parent / "peers" / "uart_lines.v"
PARITIES = {Parity.NONE: 0, Parity.EVEN: 1, Parity.ODD: 2, Parity.MARK: 3, Parity.SPACE: 4}


class Icarus:
    """The compiled bench; one run a line."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._vvp = need("vvp", "iverilog")
        run(need("iverilog", "iverilog"), "-g2005-sv", "-o", "lines.vvp", SOURCE, folder=folder)

    def dump(
        self,
        words: list[int],
        frame: FrameFormat,
        baud: float,
        *,
        idle: int = 1,
        gap_bits: float = 0.0,
        jitter: float = 0.0,
        hops: int = 0,
    ) -> Path:
        """The dump of a line that sends ``words``."""
        bit = round(1e12 / baud)
        (self.folder / "words.hex").write_text("".join(f"{word:x}\n" for word in words))
        said = run(
            self._vvp,
            "-n",
            "lines.vvp",
            "+words=words.hex",
            "+dump=line.vcd",
            f"+count={len(words)}",
            f"+bit_ps={bit}",
            f"+data={frame.data_bits}",
            f"+parity={PARITIES[frame.parity]}",
            f"+half_stops={round(2 * frame.stop_bits)}",
            f"+idle={idle}",
            f"+gap_ps={round(gap_bits * bit)}",
            f"+jitter_ps={round(jitter * bit)}",
            f"+hops={hops}",
            folder=self.folder,
        )
        assert "opened for output" in said
        return self.folder / "line.vcd"


@pytest.fixture(scope="module")
def icarus(tmp_path_factory: pytest.TempPathFactory) -> Icarus:
    return Icarus(tmp_path_factory.mktemp("icarus"))


def check_line(found: Decoding, words: list[int], frame: FrameFormat, baud: float, idle: int) -> None:
    channel = found.channels[0]
    fit = channel.main.fit
    assert fit.frame is not None, fit
    assert fit.idle == idle
    assert fit.baud_measured == pytest.approx(baud, rel=0.003)
    assert channel.main.values == tuple(words), (str(frame), str(fit.frame))
    assert not channel.main.segment.frames.errors.any()


def words_for(frame: FrameFormat, count: int, seed: int) -> list[int]:
    return [int(word) for word in np.random.default_rng(seed).integers(0, 1 << frame.data_bits, count)]


@pytest.mark.parametrize("frame", ["8N1", "7E1", "8O2", "5N1.5", "9N1"])
@pytest.mark.parametrize("idle", [0, 1])
def test_common_formats_in_both_polarities(icarus: Icarus, frame: str, idle: int) -> None:
    form = FrameFormat.parse(frame)
    words = words_for(form, 40, 1)
    check_line(
        decode_capture(icarus.dump(words, form, 9600, idle=idle), only_line()), words, form, 9600, idle
    )


def only_line() -> DecodeOptions:
    return DecodeOptions(channels=("bench.line",))


@pytest.mark.slow
@pytest.mark.parametrize("gap", [0.0, 30.0])
@pytest.mark.parametrize("idle", [0, 1])
def test_every_format_is_read_with_and_without_dead_time(icarus: Icarus, idle: int, gap: float) -> None:
    for bits, parity, stop in itertools.product(range(5, 10), Parity, (1.0, 1.5, 2.0)):
        form = FrameFormat(bits, parity, stop)
        words = words_for(form, 60, bits)
        found = decode_capture(icarus.dump(words, form, 19200, idle=idle, gap_bits=gap), only_line())
        if parity in (Parity.MARK, Parity.SPACE):
            check_offered(found, form)
        else:
            check_line(found, words, form, 19200, idle)


def check_offered(found: Decoding, frame: FrameFormat) -> None:
    """A cell that never changes is parity, data, or a stop bit: what was sent is the answer or beside it."""
    fit = found.channels[0].main.fit
    assert fit.timing is not None
    offered = {(other.frame.data_bits, other.frame.parity) for other in fit.alternatives}
    offered.add((fit.timing.frame.data_bits, fit.timing.frame.parity))
    # On the line a mark parity bit is one more stop bit.
    sent = {(frame.data_bits, frame.parity)}
    if frame.parity is Parity.MARK:
        sent.add((frame.data_bits, Parity.NONE))
    assert sent & offered, (str(frame), offered)


@pytest.mark.parametrize("rate", [1234.5, 10400, 47619, 831000])
@pytest.mark.parametrize("error", [-0.02, 0.02])
def test_odd_rates_and_two_per_cent_of_clock_are_measured_and_not_forced(
    icarus: Icarus, rate: float, error: float
) -> None:
    words = words_for(FrameFormat(), 50, 2)
    baud = rate * (1 + error)
    found = decode_capture(icarus.dump(words, FrameFormat(), baud, gap_bits=12), only_line())
    check_line(found, words, FrameFormat(), baud, 1)
    fit = found.channels[0].main.fit
    assert fit.baud == pytest.approx(baud, rel=0.01)
    assert fit.baud_measured == pytest.approx(baud, rel=1e-4)


@pytest.mark.parametrize("jitter", [0.01, 0.03, 0.06])
def test_jitter_widens_the_standard_error_and_not_the_bytes(icarus: Icarus, jitter: float) -> None:
    words = words_for(FrameFormat(), 80, 3)
    found = decode_capture(icarus.dump(words, FrameFormat(), 38400, gap_bits=5, jitter=jitter), only_line())
    check_line(found, words, FrameFormat(), 38400, 1)
    fit = found.channels[0].main.fit
    assert fit.jitter == pytest.approx(jitter, rel=0.25)
    assert fit.baud_measured is not None
    assert fit.baud_error is not None
    assert abs(fit.baud_measured - 38400) < 4 * fit.baud_error


@pytest.mark.parametrize("hops", [1, 2, 3])
def test_repeaters_are_found_with_their_hops(icarus: Icarus, hops: int) -> None:
    words = words_for(FrameFormat(), 30, 4)
    found = decode_capture(icarus.dump(words, FrameFormat(), 9600, gap_bits=3, hops=hops))
    loop = found.loop
    assert loop is not None
    assert loop.source == "bench.line"
    assert loop.target == f"bench.hop{hops}"
    assert loop.hops == hops
    # A repeater starts when the frame is over: ten bit times later at 8N1.
    assert loop.delay_bits == pytest.approx(10 * hops, abs=0.01)
    assert [link.target for link in loop.links] == [f"bench.hop{hop}" for hop in range(1, hops + 1)]
    assert loop.complete is (hops == 3)
    assert any("says nothing" in sentence for sentence in loop.text) is (hops < 3)


def test_the_words_variable_is_passed_over_with_a_note(icarus: Icarus) -> None:
    found = decode_capture(icarus.dump([0x41, 0x7E], FrameFormat(), 9600))
    assert any("bench.word" in note for note in found.capture.notes)
    assert {channel.name for channel in found.channels} == {
        "bench.line",
        "bench.hop1",
        "bench.hop2",
        "bench.hop3",
    }
