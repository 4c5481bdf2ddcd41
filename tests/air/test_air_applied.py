"""Proposals put into the config: shops made from seeds are loaded again and solved again, as the daemon sees them.

Each proposed whole cures what it says and leaves what it says, and a second look proposes nothing more. What a report
says opens for a tool is what the rules open when readings are played through them. A sample of shops here;
`python -m tests.long wholes` takes a hundred.
"""

import os
import tomllib
from collections.abc import Iterator, Sequence
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from made_ducts import made_shop
from msgspec import Struct
from shop_files import config_of

from gatehand.air import warnings
from gatehand.air.air_words import asker
from gatehand.air.analysis import Report, analyse
from gatehand.air.duct_model import DuctSystem, duct_system, duct_systems
from gatehand.air.proposals_words import MOST_LINES, as_json, as_toml, lines
from gatehand.config import Config, load_text
from gatehand.replay.play_csv import play_csv
from gatehand_air.ducting import Lack, Verdict
from gatehand_air.gate_sets import MOST_LISTED, Asker, GateDemand
from gatehand_air.solve import Solution
from gatehand_air.spread import spread
from gatehand_rules import Finding
from gatehand_rules.findings import Happened

COUNT = int(os.environ.get("GATEHAND_WHOLES", "6"))
FIRST = int(os.environ.get("GATEHAND_WHOLES_SEED", "7"))
SEEDS = range(FIRST, FIRST + COUNT)
LARGE = range(15, 15 + max(1, COUNT // 10))
"""Shops of thirty gates."""

Wants = frozenset[tuple[Lack, str]]


class Judged(Struct, frozen=True):
    """A shop as the daemon would open its gates: who falls short alone, of whom nobody knows, and which sets do."""

    short: dict[str, Wants]
    unknown: frozenset[str]
    bad: frozenset[tuple[frozenset[str], frozenset[str]]]
    """Sets of several, gates and dusty hoods, that fall short in what is met alone."""


def verdicts(of: DuctSystem, gates: frozenset[str], dusty: frozenset[str]) -> tuple[Wants, bool]:
    """What falls short beyond doubt with the dirty filter, and whether anything is unknown."""
    hoods = dusty | of.ducting.network.always_open
    found = of.ducting.shorts(of.ducting.dirty, gates, of.ducting.dirty.solve(gates), hoods)
    short = frozenset((one.lack, one.where) for one in found if one.verdict is Verdict.SHORT)
    return short, any(one.verdict is Verdict.UNKNOWN for one in found)


def alone(of: DuctSystem, demand: GateDemand) -> tuple[Wants, bool]:
    opens = of.admit([demand])
    assert opens is not None
    return verdicts(of, opens, demand.hoods)


def judged(of: DuctSystem) -> Judged:
    by_itself = {asker(demand): alone(of, demand) for demand in of.demands}
    short = {who: wants for who, (wants, _) in by_itself.items() if wants}
    bad = set()
    for one in of.sets:
        ways = [frozenset().union(*(by_itself[asker(d)][0] for d in who)) for who in one.demands if len(who) > 1]
        if one.together > 1 and any(verdicts(of, one.gates, one.dusty)[0] - met for met in ways):
            bad.add((one.gates, one.dusty))
    return Judged(short, frozenset(w for w, (wants, dark) in by_itself.items() if dark and not wants), frozenset(bad))


def applied(text: str, toml: str) -> str:
    """The config with the keys of the proposal put into its tables."""
    document: Any = tomlkit.parse(text)
    for kind, tables in tomllib.loads(toml).items():
        for name, keys in tables.items():
            for key, value in keys.items():
                document[kind][name][key] = value
    return tomlkit.dumps(document)


class Twice(Struct, frozen=True):
    """A shop, its report, and the same with what was proposed put into its text."""

    written: Config
    before: DuctSystem
    report: Report
    text: str
    after: DuctSystem
    config: Config
    again: Report


@pytest.fixture(name="twice", scope="module", params=SEEDS)
def a_shop_before_and_after(request: pytest.FixtureRequest) -> Twice:
    text = made_shop(request.param)
    config = config_of(text)
    before = duct_systems(config)[0]
    report = analyse(config, before)
    text = applied(text, as_toml(report))
    changed = config_of(text)
    after = duct_systems(changed)[0]
    return Twice(config, before, report, text, after, changed, analyse(changed, after))


def some_of(some: Sequence[dict[str, Any]], *, several: bool) -> list[dict[str, Any]]:
    return [one for one in some if (len(one["for"]) > 1) == several]


def test_what_is_said_of_each_demand_alone_comes_true(twice: Twice) -> None:
    before, after, said = judged(twice.before), judged(twice.after), as_json([twice.report])
    cures = {one["for"][0] for one in some_of(said["cures"], several=False)}
    assert cures == before.short.keys() - after.short.keys() - after.unknown
    assert {one["for"][0] for one in some_of(said["leaves"], several=False)} == after.short.keys()
    assert {one["for"][0] for one in said["unknown"]} == after.unknown
    assert after.short.keys() <= before.short.keys(), "what was met alone was taken away"
    assert after.unknown <= before.unknown | before.short.keys(), "what was met is not known any more"


def test_what_is_said_of_sets_of_several_comes_true(twice: Twice) -> None:
    said, after = as_json([twice.report]), judged(twice.after)
    demands = {asker(demand): demand for demand in twice.after.demands}
    own = {who: alone(twice.after, demand)[0] for who, demand in demands.items()}
    leaves = {frozenset(one["open"]) for one in some_of(said["leaves"], several=True)}
    for one in some_of(said["cures"], several=True):
        together = [demands[who] for who in one["for"]]
        met = frozenset().union(*(own[who] for who in one["for"]))
        for order in permutations(together) if len(together) < 4 else [together]:
            opens = twice.after.admit(order)
            dusty = frozenset().union(*(demand.hoods for demand in together))
            if opens is not None and not verdicts(twice.after, opens, dusty)[0] <= met:
                assert opens != frozenset(one["open"]), "it opens still, and falls short"
                assert opens in leaves, "another set for the same demands is not told"
    for one in some_of(said["leaves"], several=True):
        opens, dusty = frozenset(one["open"]), frozenset().union(*(demands[who].hoods for who in one["for"]))
        assert opens in {twice.after.admit(order) for order in permutations(demands[who] for who in one["for"])}
        assert verdicts(twice.after, opens, dusty)[0] - frozenset().union(*(own[who] for who in one["for"]))
    if not twice.report.proposals.cure.more and len(twice.after.sets) < MOST_LISTED:
        assert leaves >= {gates for gates, _ in after.bad}, "a set that falls short is not told"


def test_a_proposal_cures_something_and_nothing_of_it_is_trimmed_away(twice: Twice) -> None:
    cure = twice.report.proposals.cure
    if cure.limits or cure.changed:
        assert cure.cured or cure.cured_sets
    for demand in twice.after.demands:
        if demand.name in cure.changed and demand.asker is Asker.TOOL:
            assert twice.after.admit([demand]) == demand.gates.union(demand.assist)


def test_a_second_look_proposes_nothing_more(twice: Twice) -> None:
    assert as_toml(twice.again) == ""
    said = {where[-1] for where, _ in warnings(twice.config)}
    assert "run_on" not in said
    assert not any("set max_open" in message or "assist = " in message for _, message in warnings(twice.config))


def test_each_run_on_covers_the_slowest_set_at_the_lower_end_of_the_spread(twice: Twice) -> None:
    of = twice.after
    spins = {d.name: max((_spin(twice.config, hood) for hood in d.hoods), default=0.0) for d in of.demands}
    for one in of.sets:
        answer = of.ducting.dirty.solve(one.gates)
        if not isinstance(answer, Solution):
            continue
        half = spread(of.ducting.dirty, one.gates, answer).flows
        for demand in {d for who in one.demands for d in who if d.asker is Asker.TOOL}:
            for hood in demand.hoods:
                ways = of.ducting.network.path(hood)
                time = sum(
                    d.length * of.ducting.areas[d.name] / (0.5 * (answer.flows[d.name] - half[d.name])) for d in ways
                )
                assert twice.config.tool[demand.name].run_on >= spins[demand.name] + 2 * time + 1 - 1e-6


def _spin(config: Config, hood: str) -> float:
    table = config.duct[hood].hood
    return 0.0 if table is None else table.spin_down


def test_another_size_cures_and_spoils_what_is_said(twice: Twice) -> None:
    before = judged(twice.before)
    for change in twice.report.proposals.sizes.best:
        changed = duct_system(twice.written, "main", dict.fromkeys(change.ducts, change.diameter))
        after = judged(changed)
        cured, spoilt = before.short.keys() - after.short.keys(), after.short.keys() - before.short.keys()
        assert {asker(demand) for demand in change.cures} <= cured
        assert {asker(demand) for demand in change.spoils} - after.unknown <= spoilt
        assert len(change.cures) > len(change.spoils) or change.cures_sets
    if twice.report.proposals.sizes.whole:
        best = twice.report.proposals.sizes.best[0]
        assert not judged(duct_system(twice.written, "main", dict.fromkeys(best.ducts, best.diameter))).short


def test_all_that_is_proposed_fits_a_page(twice: Twice) -> None:
    assert len(list(lines(twice.report))) <= MOST_LINES
    assert len(list(lines(twice.again))) <= MOST_LINES


@pytest.mark.parametrize("seed", LARGE)
def test_what_is_proposed_for_thirty_gates_fits_a_page(seed: int) -> None:
    config = config_of(made_shop(seed, 30))
    of = duct_systems(config)[0]
    report = analyse(config, of)
    assert len(of.gates) == 30
    assert MOST_LINES // 2 < len(list(lines(report))) <= MOST_LINES
    assert all(len(list(lines(report, of=count))) <= MOST_LINES // count for count in (2, 3, 4, 5, 10, 30))
    assert all("\n" not in line for line in lines(report))


def played(config_text: str, runs: Sequence[tuple[str, ...]], folder: Path) -> Iterator[frozenset[str]]:
    """The gates open when each run's tools, started 20 s apart in that order, all draw; by the rules, played."""
    shop = load_text(config_text, folder / "config.toml").shop
    assert shop is not None
    rows, looks, at = ["t_s,tool,amps"], [], 10
    rows += [f"0,{tool.name},0" for tool in shop.tools]
    for run in runs:
        for number, tool in enumerate(run):
            rows.append(f"{at + 20 * number},{tool},5")
        looks.append(at + 20 * len(run))
        at += 20 * len(run) + 5
        rows += [f"{at},{tool},0" for tool in run]
        at += 100
    file = folder / "readings.csv"
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")
    told: list[tuple[float, str, bool]] = []

    def hear(ms: int, finding: Finding) -> None:
        if finding.event in (Happened.GATE_OPEN, Happened.GATE_SHUT):
            told.append((ms / 1000, str(finding.gate), finding.event is Happened.GATE_OPEN))

    play_csv(file, shop, hear)
    for look in looks:
        state = {gate: is_open for t, gate, is_open in told if t <= look}
        yield frozenset(gate for gate, is_open in state.items() if is_open)


def test_the_gates_that_the_rules_open_are_those_that_the_report_says(twice: Twice, tmp_path: Path) -> None:
    """Played with the proposed values: each tool alone, and every two that fit, in both orders."""
    of = twice.after
    tools = [demand for demand in of.demands if demand.asker is Asker.TOOL]
    by_name = {demand.name: demand for demand in tools}
    runs: list[tuple[str, ...]] = [(tool.name,) for tool in tools]
    if not tools:
        return
    runs += [pair for pair in permutations(by_name, 2) if of.admit([by_name[name] for name in pair]) is not None]
    views = [view.asked for view in twice.again.views]
    for run, opened in zip(runs, played(twice.text, runs, tmp_path), strict=True):
        dusty = frozenset().union(*(by_name[name].hoods for name in run))
        assert opened in {one.gates for one in views if one.dusty == dusty}, "no such set is in the report"
        both = {twice.after.admit([by_name[name] for name in order]) for order in permutations(run)}
        named = {one.gates for one in views if any({d.name for d in who} == set(run) for who in one.demands)}
        assert opened in both
        assert named <= both, "the report has a set that these tools do not open"
