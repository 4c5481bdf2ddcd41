"""Shops to be sized: one by hand, any number drawn from seeds, and each as the whole config with its ducts in it."""

import math
import random
from typing import Any

from shop_files import config_of

from gatehand.air.analysis import analyse
from gatehand.air.duct_model import duct_system
from gatehand.air.sizing_file import SizeFile
from gatehand.air.sizing_job import Job, from_file
from gatehand.air.sizing_toml import as_toml
from gatehand.config import Config
from gatehand_air.friction import area
from gatehand_air.sizing import Sized, size

SIZES: dict[str, list[float]] = {
    "us": [2.5, 3, 4, 5, 6, 7, 8, 10, 12],
    "metric": [63, 80, 100, 125, 140, 160, 180, 200, 250],
}
KINDS = ["table_saw", "jointer", "band_saw", "drum_sander", "cnc_router", "floor_sweep", "mitre_saw", "planer"]


def job_of(tables: dict[str, Any]) -> Job:
    """A file's tables, as it is read."""
    return from_file(SizeFile.model_validate(tables))


def drawn_file(seed: int) -> dict[str, Any]:
    """A file's tables: two to six machines along one or two trunks, some together, in either system of units."""
    dice = random.Random(seed)
    units = dice.choice(["us", "metric"])
    foot, inch, cfm = (1.0, 1.0, 1.0) if units == "us" else (0.3048, 25.4, 1.699)
    runs: dict[str, Any] = {"main": {"length": round(dice.uniform(10, 40) * foot, 1), "elbows": {"elbow_90": 1}}}
    if dice.random() < 0.5:
        runs["row"] = {"into": "main", "length": round(dice.uniform(4, 20) * foot, 1)}
    trunks = list(runs)
    for number in range(dice.randint(2, 6)):
        into = dice.choice(trunks)
        run: dict[str, Any] = {"into": into, "length": round(dice.uniform(2, 12) * foot, 1), "join": 45}
        if dice.random() < 0.6:
            run["at"] = round(dice.uniform(0, 1) * runs[into]["length"], 1)
        kind = dice.choice(KINDS)
        if dice.random() < 0.5:
            run["flow"] = round(dice.uniform(120, 900) * cfm)
        run |= {"tool": f"{kind}_{number}", "hose": dice.choice([0, 0, 3 * foot])}
        run |= {"dust": dice.choice(["fine", "shavings", "heavy"])} if dice.random() < 0.5 else {}
        run |= {"port": round(dice.choice([3, 4, 5, 6]) * inch, 1)} if dice.random() < 0.4 else {}
        run["entry"] = dice.choice(["plain", "flanged", "bell", 0.6])
        runs[f"m{number}"] = run
    for trunk in trunks:  # whatever is left over at a far end is closed by a machine there
        if all(run.get("into") != trunk or "at" in run for run in runs.values()):
            runs[f"{trunk}_end"] = {"into": trunk, "length": 2 * foot, "tool": "band_saw", "flow": round(350 * cfm)}
    file: dict[str, Any] = {"airflow": {"units": units}, "run": runs, "at_once": dice.choice([1, 1, 2])}
    if dice.random() < 0.7:
        file["sold"] = sorted(dice.sample(SIZES[units], dice.randint(2, 8)))
    if dice.random() < 0.7:
        pressure = 1.0 if units == "us" else 249.0
        file["filter_loss"] = {"clean": 0.5 * pressure, "dirty": 2 * pressure, "at": 800 * cfm}
    return file


def odd_file(seed: int) -> dict[str, Any]:
    """A file's tables as nobody should write them: at the bounds, contradictory, or only strange."""
    dice = random.Random(seed)
    names = [f"r{number}" for number in range(dice.randint(1, 6))]
    runs: dict[str, dict[str, Any]] = {}
    choices: dict[str, tuple[float, list[Any]]] = {
        "at": (0.4, [0, 1, 5, 30]),
        "join": (0.3, [30, 45, 60, 90, "straight"]),
        "flow": (0.6, [10, 100, 400, 5000]),
        "port": (0.3, [0.6, 2, 4, 50]),
        "hose": (0.2, [0, 3]),
        "gate": (0.3, [False, True, "g"]),
        "tool": (0.3, ["jointer", ["jointer", "x"], "sweep"]),
        "entry": (0.2, [0, 0.01, "bell", 50]),
        "elbows": (0.2, [{"elbow_90": 0}, {"elbow_90": 3}]),
        "k": (0.2, [0, 9]),
        "dust": (0.3, ["fine", "heavy"]),
    }
    for number, name in enumerate(names):
        runs[name] = {"length": dice.choice([0, 1, 5, 30, 900])}
        runs[name] |= {"into": dice.choice(names[:number])} if number else {}
        runs[name] |= {key: dice.choice(some) for key, (share, some) in choices.items() if dice.random() < share}
    file: dict[str, Any] = {"run": runs, "at_once": dice.choice([1, 2, 9])}
    file |= {"sold": dice.sample([0.6, 2, 3, 4, 6, 10, 24, 60], dice.randint(1, 4))} if dice.random() < 0.8 else {}
    file |= {"inlet": dice.choice([0.6, 4, 8])} if dice.random() < 0.3 else {}
    return file | ({"fan": {"curve": [[0, 10], [500, 8], [1500, 1]]}} if dice.random() < 0.4 else {})


def whole_config(job: Job, sized: Sized) -> Config:
    """What was printed, pasted into a shop: its remarks taken for keys, with a fan that just meets every need."""
    of = job.units
    needs = sorted((need.flow / of.flow, need.pressure / of.pressure) for need in sized.needs)
    points: list[tuple[float, float]] = []
    for flow, _ in reversed(needs):  # no steps: flows near each other are one
        if not points or flow < 0.98 * points[-1][0]:
            points.append((flow, max(p for q, p in needs if q >= 0.98 * flow) * (1 + 1e-6)))
    points = [(0.0, points[-1][1] * 1.01), *points[::-1], (needs[-1][0] * 1.5, points[0][1] * 0.01)]
    alone = [need for need in sized.needs if len(need.asked.who) == 1]
    by_hand = {gate for need in alone if need.asked.by_hand for gate in need.asked.gates}
    gates = {piece.gate for piece in sized.laid.pieces if piece.gate is not None}
    lines = ["[broker]", 'host = "127.0.0.1"', "[airflow]", f'units = "{of.name}"']
    lines += ["[fan.main]", f"curve = {[list(point) for point in points]}"]
    if (loss := job.plan.dirty.factor) > 0:
        lost = loss * (1000 * of.flow) ** 2 / of.pressure
        lines.append(f"filter_loss = {{ clean = {lost * 0.25!r}, dirty = {lost!r}, at = 1000 }}")
    lines += ["[collector.main]", 'command = { topic = "c", on = "1", off = "0" }', f"max_open = {sized.max_open}"]
    for gate in sorted(gates):
        lines += [f"[gate.{gate}]", f'command = {{ topic = "g/{gate}", open = "1", shut = "0" }}']
        lines += [f'button = {{ topic = "b/{gate}", pressed = "1" }}'] if gate in by_hand else []
    for need in alone:
        for tool in job.tools[need.asked.who[0]]:
            lines += [f"[tool.{tool}]", f'current = {{ topic = "t/{tool}" }}', "start_amps = 2"]
            lines += [f"gates = {sorted(need.asked.gates)}", f"assist = {sorted(need.asked.assist)}"]
    return config_of("\n".join([*lines, *as_toml(job, sized)]))


def disagreements(seed: int) -> list[str]:
    """What `airflow` says otherwise of a shop drawn from a seed, once it hangs as printed, its fan just enough."""
    job = job_of(drawn_file(seed))
    sized = size(job.plan)
    found = broken_rules(sized)
    config = whole_config(job, sized)
    system = duct_system(config, "main")
    theirs = {duct.name: duct for duct in system.ducting.network.ducts}
    for mine in sized.laid.network.ducts:
        there = theirs[mine.name]
        if (there.into, there.gate, there.entry is None) != (mine.into, mine.gate, mine.entry is None):
            found.append(f"{mine.name} hangs elsewhere")
        for key in ("diameter", "length", "roughness", "factor", "entry"):
            here = getattr(mine, key) or 0.0
            if not math.isclose(getattr(there, key) or 0.0, here, rel_tol=1e-5, abs_tol=1e-9):
                found.append(f"{mine.name}: {key} is {getattr(there, key)}, not {here}")
    views = {(view.asked.gates, view.asked.dusty): view for view in analyse(config, system).views}
    for one in sized.needs:
        key_ = one.asked.opens, frozenset(sized.laid.hoods[run] for run in one.asked.dusty)
        if key_ not in views:
            found.append(f"{sorted(one.asked.opens)} cannot be asked for")
        elif views[key_].assessment.fails:
            found.append(f"{sorted(one.asked.opens)} falls short: {views[key_].assessment.fails}")
    return found


def broken_rules(sized: Sized) -> list[str]:
    """What must hold of any shop, and does not."""
    laid, plan, found = sized.laid, sized.plan, []
    for run in laid.runs:
        if laid.sizes[run.name] not in plan.sold:
            found.append(f"{run.name} is in no size sold")
        if run.into is not None and laid.sizes[run.name] > laid.sizes[run.into]:
            found.append(f"{run.into} is narrower than {run.name}")
    slow = {(one.asked.gates, one.asked.dusty, one.run) for one in sized.slow}
    for one in sized.needs:
        for piece, wanted in one.wanted.items():
            if one.flows[piece] / area(laid.by_name[piece].diameter) < wanted * (1 - 1e-6):
                found.append(f"{piece} is slow with {one.asked.who}")
        for run in plan.runs:
            hood = laid.hoods.get(run.name)
            if (
                hood is not None
                and hood in one.flows
                and run.opening is not None
                and one.flows[hood] < run.opening.flow * (1 - 1e-6)
            ):
                found.append(f"{run.name} gets too little with {one.asked.who}")
            own = sum(
                each.opening.flow
                for each in plan.runs
                if each.opening and laid.hoods[each.name] in laid.network.behind(one.asked.gates)
                and run.name in {duct.name for duct in laid.network.path(laid.hoods[each.name])}
            )  # fmt: skip
            told = (one.asked.gates, one.asked.dusty, run.name) in slow
            if (
                run.name in one.wanted
                and not told
                and own / area(sized.least[run.name]) < one.wanted[run.name] * (1 - 1e-5)
            ):
                found.append(f"nobody says that {run.name} is slow with {one.asked.who}")
    return found


def many(count: int, seed: int) -> bool:
    """So many shops; prints those of which `airflow` says something else."""
    bad = {each: said for each in range(seed, seed + count) if (said := disagreements(each))}
    for each, said in bad.items():
        print(f"seed {each}: {'; '.join(said[:3])}")
    print(f"{count} shops sized, {len(bad)} of them not as airflow has it")
    return not bad
