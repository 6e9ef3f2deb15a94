"""Every input that once led to a fault, and good inputs of each target with changes that stay the same."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from tests.fuzz.findings import Findings
from tests.fuzz.mutating import mutated
from tests.fuzz.table import TARGETS
from tests.fuzz.target import Target

KEPT = Path(__file__).resolve().parents[1] / "data" / "fuzz"
_INPUTS = {"table": 8, "sound": 12, "edges": 8, "vcd": 20, "profile": 60, "echo": 80}
"""Changed inputs that are tried of a target; of others 300."""


def tried(target: Target, folder: Path, inputs: list[bytes]) -> set[str]:
    """The faults that inputs lead to."""
    work = folder / "work"
    work.mkdir()
    with target.prepare(work) as trial:
        # How long one takes says more of a busy machine: that is for `make fuzz` to judge.
        findings = Findings(trial, folder / "findings", clock=lambda: 0.0)
        for data in inputs:
            findings.take(data)
    return findings.known


def kept() -> dict[str, list[Path]]:
    return {folder.name: sorted(folder.iterdir()) for folder in sorted(KEPT.iterdir())}


@pytest.mark.parametrize("name", kept())
def test_what_once_led_to_a_fault_leads_to_none(tmp_path: Path, name: str) -> None:
    inputs = [path.read_bytes() for path in kept()[name]]
    assert inputs
    assert tried(TARGETS[name], tmp_path, inputs) == set()


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", TARGETS)
def test_good_inputs_and_changed_ones_lead_to_no_fault(tmp_path: Path, name: str) -> None:
    target, random = TARGETS[name], Random(2026)
    seeds = tmp_path / "seeds"
    seeds.mkdir()
    good = list(target.seeds(seeds))
    words = [word.encode("latin-1", "replace") for word in target.words.split()]
    changed = [mutated(random.choice(good), random, words, good) for _ in range(_INPUTS.get(name, 300))]
    assert len(set(changed)) > len(changed) // 2
    assert tried(target, tmp_path, [*good, *(data[: target.longest] for data in changed)]) == set()


def test_a_fault_is_kept_once_with_the_input_and_the_rest_is_tried_all_the_same(tmp_path: Path) -> None:
    took: list[bytes] = []

    def trial(data: bytes) -> None:
        took.append(data)
        if data.startswith(b"x"):
            raise KeyError(data)

    findings = Findings(trial, tmp_path)
    for data in (b"a", b"x1", b"x2", b"b"):
        findings.take(data)
    assert took == [b"a", b"x1", b"x2", b"b"]
    (name,) = findings.known
    assert name.startswith("KeyError-")
    assert (tmp_path / name).read_bytes() == b"x1"
    assert "x1" in (tmp_path / f"{name}.txt").read_text()


def test_work_that_takes_too_long_is_a_finding(tmp_path: Path) -> None:
    times = iter([0.0, 1.0, 1.0, 12.0])
    findings = Findings(lambda _: None, tmp_path, clock=lambda: next(times))
    findings.take(b"quick")
    assert findings.known == set()
    findings.take(b"slow")
    assert (tmp_path / "slow-3").read_bytes() == b"slow"
