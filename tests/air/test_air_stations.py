"""Several hoods behind one gate: against the EPANET engine, and against trees that say the same in another way."""

import math
import random
from pathlib import Path

import epanet_oracle
import pytest
from air_shops import AIR, FAN, branch, random_tree, solver, trunk
from msgspec.structs import replace

from gatehand_air.solve import Solution, Unsolved, Why
from gatehand_air.tree import Duct, Network

AGREES = 2e-4
"""Relative, where the loss models coincide."""


def with_stations(rng: random.Random) -> Network:
    """A random tree whose gates have moved towards the fan, onto ducts that branch on; some hoods have none."""
    plain = random_tree(rng)
    ducts = {duct.name: replace(duct, gate=None) for duct in plain.ducts}
    for end in plain.ends:
        way = [duct.name for duct in plain.path(end.name)]
        if any(ducts[name].gate is not None for name in way) or rng.random() < 0.2:
            continue
        fit = [name for name in way if not _gated_beyond(plain, ducts, name)]
        if fit:
            at = rng.choice(fit[1:] or fit)
            ducts[at] = replace(ducts[at], gate=f"gate_{at}")
    return Network(tuple(ducts.values()))


def _gated_beyond(tree: Network, ducts: dict[str, Duct], name: str) -> bool:
    """Whether a duct that leads to `name`, or `name` itself, has a gate."""
    return any(
        any(duct.name == name for duct in tree.path(each.name)) for each in ducts.values() if each.gate is not None
    )


@pytest.mark.skipif(
    epanet_oracle.missing() is not None, reason=f"{epanet_oracle.missing()}; the comparison with EPANET is not made"
)
@pytest.mark.parametrize("seed", range(20))
def test_trees_with_several_hoods_behind_a_gate(seed: int, tmp_path: Path) -> None:
    rng = random.Random(1000 + seed)
    network = with_stations(rng)
    ours = solver(network)
    engine = epanet_oracle.Engine(network, FAN, AIR, tmp_path, 1e-8)
    sets = [frozenset(network.gates), *({g for g in network.gates if rng.random() < 0.6} for _ in range(8))]
    compared = 0
    try:
        for gates in sets:
            answer = ours.solve(gates)
            if not gates and not network.always_open:
                assert isinstance(answer, Unsolved)
                assert answer.why is Why.ALL_SHUT
                continue
            assert isinstance(answer, Solution)
            theirs = engine.solve(gates)
            assert answer.flows.keys() == theirs.keys()
            for duct, flow in answer.flows.items():
                assert flow == pytest.approx(theirs[duct], rel=AGREES), (sorted(gates), duct)
                compared += 1
    finally:
        engine.close()
    assert compared > 0


def test_the_trees_drawn_have_stations_and_hoods_without_a_gate() -> None:
    trees = [with_stations(random.Random(1000 + seed)) for seed in range(20)]
    behind = [len(tree.behind({gate})) for tree in trees for gate in tree.gates]
    assert max(behind) >= 3
    assert sum(count > 1 for count in behind) >= 8
    assert sum(bool(tree.always_open) for tree in trees) >= 3


def station(leak: float | None = None, factor: float = 0.4, gate: str | None = "saws") -> Network:
    open_end = replace(branch("sweep", "main", 4, 3, 0.5, entry=0.93), gate="sweep")
    saws = [replace(branch(f"saw_{i}", "station", 3, 2, 0.3, entry=0.49), gate=None) for i in range(3)]
    main = replace(trunk("main", None, 6, 4, 0.5))
    return Network((main, replace(trunk("station", "main", 5, 3, factor), gate=gate, leak=leak), open_end, *saws))


def test_one_gate_opens_and_shuts_all_hoods_behind_it() -> None:
    ours = solver(station())
    both, one, other = ours.solve({"saws", "sweep"}), ours.solve({"saws"}), ours.solve({"sweep"})
    assert isinstance(both, Solution)
    assert isinstance(one, Solution)
    assert isinstance(other, Solution)
    assert {*both.flows} == {"main", "station", "sweep", "saw_0", "saw_1", "saw_2"}
    assert {*one.flows} == {"main", "station", "saw_0", "saw_1", "saw_2"}
    assert {*other.flows} == {"main", "sweep"}
    assert both.flows["saw_0"] == pytest.approx(both.flows["station"] / 3, rel=1e-9)


def test_a_gate_that_leaks_lets_air_through_to_all_hoods_behind_it() -> None:
    # 2000 Pa at 0.02 m3/s. The same as a factor on the station's 5 in: leak / (8 density / pi^2 D^4).
    leak = 2000 / 0.02**2
    as_factor = leak / (8 * AIR.density / math.pi**2 / 0.127**4)
    shut = solver(station(leak)).solve({"sweep"})
    same = solver(station(None, 0.4 + as_factor)).solve({"sweep", "saws"})
    assert isinstance(shut, Solution)
    assert isinstance(same, Solution)
    assert shut.flows == pytest.approx(same.flows, rel=1e-9)
    assert 0.01 < shut.flows["station"] < 0.03
