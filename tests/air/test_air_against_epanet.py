"""The solver against the EPANET engine: the published case, a big shop, random trees and sets of gates."""

import random
from collections.abc import Iterator
from pathlib import Path

import epanet_oracle
import pytest
from air_shops import AIR, FAN, random_tree, solver, stations, three_branches, twelve_gates
from msgspec.structs import replace

from gatehand_air.solve import Solution, Unsolved
from gatehand_air.tree import Network

pytestmark = pytest.mark.skipif(
    epanet_oracle.missing() is not None, reason=f"{epanet_oracle.missing()}; the comparison with EPANET is not made"
)

AGREES = 2e-4
"""Relative, where the loss models coincide."""


def compare(network: Network, sets: Iterator[frozenset[str]], folder: Path) -> int:
    """Hold every flow of every set against the engine's. Returns how many flows were compared."""
    ours = solver(network)
    engine = epanet_oracle.Engine(network, FAN, AIR, folder, 1e-8)
    compared = 0
    try:
        for gates in sets:
            answer = ours.solve(gates)
            if not gates and not network.always_open:
                assert isinstance(answer, Unsolved)
                continue
            assert isinstance(answer, Solution)
            theirs = engine.solve(gates)
            assert answer.flows.keys() == theirs.keys()
            for duct, flow in answer.flows.items():
                assert flow == pytest.approx(theirs[duct], rel=AGREES), (sorted(gates), duct)
                compared += 1
    finally:
        engine.close()
    return compared


def tight(network: Network) -> Network:
    """Without what the engine has no word for: leaks of shut gates, what machines lose."""
    return Network(tuple(replace(duct, leak=None, machine=None) for duct in network.ducts))


def some_sets(network: Network, rng: random.Random, most: int) -> Iterator[frozenset[str]]:
    gates = sorted(network.gates)
    for _ in range(most):
        yield frozenset(gate for gate in gates if rng.random() < 0.5)


def test_the_published_case(tmp_path: Path) -> None:
    network = three_branches()
    sets = iter([frozenset(s) for s in (["b1", "b2", "b3"], ["b1", "b2"], ["b1"], ["b2"], ["b3"])])
    assert compare(network, sets, tmp_path) == 5 + 4 + 3 + 3 + 2


def test_a_big_shop(tmp_path: Path) -> None:
    network = twelve_gates()
    assert compare(network, some_sets(network, random.Random(5), 150), tmp_path) > 1000


@pytest.mark.parametrize("seed", range(25))
def test_random_trees_and_gate_sets(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    network = random_tree(rng)
    everything = frozenset(network.gates)
    assert compare(network, iter([everything, *some_sets(network, rng, 12)]), tmp_path) > 0


def test_several_hoods_behind_a_gate(tmp_path: Path) -> None:
    """Gates on ducts that branch on, hoods without a gate beside them."""
    compared = stood_inside = 0
    for seed in range(20):
        rng = random.Random(seed)
        network = tight(stations(rng))
        everything = frozenset(network.gates)
        stood_inside += sum(d.gate is not None and d.entry is None for d in network.ducts)
        compared += compare(network, iter([everything, *some_sets(network, rng, 8)]), tmp_path)
    assert stood_inside > 10
    assert compared > 500
