"""All 4,096 gate sets of a 12-gate shop in under 4 s on one core; the benchmark shows the margin beside EPANET."""

import time
from itertools import combinations

from air_shops import solver, twelve_gates

from gatehand_air.solve import Solution

BUDGET = 4.0


def test_every_gate_set_of_a_twelve_gate_shop() -> None:
    shop = solver(twelve_gates())
    sets = [frozenset(chosen) for n in range(13) for chosen in combinations(sorted(shop.network.gates), n)]
    assert len(sets) == 4096
    start = time.process_time()
    answers = [shop.solve(gates) for gates in sets]
    took = time.process_time() - start
    assert took < BUDGET
    solved = [answer for answer in answers if isinstance(answer, Solution)]
    assert len(solved) == 4095  # all but the one with every gate shut
    assert max(answer.residual for answer in solved) <= 1e-8
