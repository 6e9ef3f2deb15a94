"""The glance at all hypotheses together gives each the score that it has when it is read alone."""

from __future__ import annotations

import numpy as np
import pytest

from profiles.bench.candidates import bit_time_candidates
from profiles.bench.edges import Edges
from profiles.bench.glance import glance
from profiles.bench.hypotheses import account_for
from profiles.bench.meanings import rough_score
from tests.profiles.bench.random_lines import random_line


def one_by_one(edges: Edges, trials: list[float]) -> dict[tuple[float, int, int], float]:
    scores = {}
    for trial in trials:
        for idle in (0, 1):
            for body in range(6, 12):
                account = account_for(edges, trial, idle, body, refine=False)
                if account is not None:
                    scores[trial, idle, body] = rough_score(account)
    return scores


@pytest.mark.parametrize("seed", range(12))
def test_together_is_as_one_by_one(seed: int) -> None:
    sent = random_line(np.random.default_rng(seed)).edges
    edges = sent.part(0, min(len(sent), 120))
    trials = bit_time_candidates(edges.ticks.astype(float), edges.resolution)[::3]
    alone = one_by_one(edges, trials)
    together = glance(edges, trials, (0, 1), range(6, 12))
    assert {(g.timing.bit, g.timing.idle, g.body): g.score for g in together} == pytest.approx(alone)
    scores = [guess.score for guess in together]
    assert scores == sorted(scores, reverse=True)


@pytest.mark.parametrize("ticks", [[5], [5, 9], [5, 9, 14], [5, 6, 30, 31, 60]])
@pytest.mark.parametrize("level", [0, 1])
def test_a_few_edges_are_read_the_same(ticks: list[int], level: int) -> None:
    edges = Edges(np.array(ticks), level, 1e-6, 200.0)
    trials = [3.0, 4.5, 8.0]
    alone = one_by_one(edges, trials)
    together = glance(edges, trials, (0, 1), range(6, 12))
    assert {(g.timing.bit, g.timing.idle, g.body): g.score for g in together} == pytest.approx(alone)
