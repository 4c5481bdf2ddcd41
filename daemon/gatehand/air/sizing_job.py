"""What is to be sized: a file's runs and tools as runs in SI units, and who asks for which gates.

One run of a file may carry others that join along it: it is cut where they join, so that each part can have a size of
its own (`main` nearest the fan, then `main_2`). The sizing itself is in `gatehand_air.sizing`.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from typing import Any, Final

from msgspec import Struct

from gatehand.air.duct_model import MAIN_VELOCITY, MIN_VELOCITY, shop_air
from gatehand.air.sizing_file import ANGLES, RunTable, SizeFile, SizingFileError, gate_of, is_end, joins_at
from gatehand.config import Config
from gatehand.config.ducts import FilterLoss
from gatehand.text import listed, named
from gatehand_air.fan_curve import Filter
from gatehand_air.fan_need import Asked, Plan
from gatehand_air.fittings import DUSTS, ENTRIES, INCHES, MATERIALS, MILLIMETRES, Want, default_flow, kind_of
from gatehand_air.friction import LAWS
from gatehand_air.layout import GATE, Opening, Run
from gatehand_air.properties import Units, units
from gatehand_air.sizing import MOST_SETS

OWN: Final = "yours"
"""Why a flow is wanted that somebody gave."""
COLLECTOR: Final = "main"
"""What a collector is called of which the file says no name."""


class Job(Struct, frozen=True, kw_only=True):
    """What is to be sized, with the words for it.

    Fields:
        tools: by who asks, in the words of `plan.asked`: the names of the config's tools.
        wants: by run with an opening: the flow wanted and why.
        dusts: by run: the kind of dust, where it was said.
        hoods, ducts: by run, keys of its hood's and its own table in the config that the sizing leaves as they are.
        config: the shop with these ducts in it, for all but the ducts and their fan.
    """

    plan: Plan
    collector: str
    units: Units
    tools: Mapping[str, tuple[str, ...]]
    wants: Mapping[str, Want]
    dusts: Mapping[str, str]
    hoods: Mapping[str, dict[str, Any]]
    ducts: Mapping[str, dict[str, Any]]
    config: Config
    stick: float | None = None
    sold_said: bool = False


def from_file(file: SizeFile) -> Job:
    """The runs of a file.

    Raises:
        SizingFileError: more sets run together than can be listed.
    """
    of = units(file.airflow.units)
    wants = {name: _want(name, run, of) for name, run in file.run.items() if is_end(name, file.run)}
    runs, ends = _cut(file, wants, of)
    asked, tools = _asked(file, runs, ends)
    usual = INCHES if of.name == "us" else MILLIMETRES
    clean, dirty = filters(file.fan.filter_loss if file.fan is not None else file.filter_loss, of)
    config = Config(airflow=file.airflow, fan={} if file.fan is None else {COLLECTOR: file.fan})
    plan = Plan(
        runs=runs,
        asked=asked,
        sold=tuple(sorted({each * of.diameter for each in file.sold})) if file.sold else usual,
        air=shop_air(config),
        branch_velocity=(file.airflow.min_velocity or MIN_VELOCITY[of.name]) * of.velocity,
        main_velocity=(file.airflow.main_velocity or MAIN_VELOCITY[of.name]) * of.velocity,
        clean=clean,
        dirty=dirty,
        inlet=None if file.inlet is None else file.inlet * of.diameter,
        law=LAWS[file.airflow.friction],
    )
    materials = {run.name: run.material for run in runs}
    return Job(
        plan=plan,
        collector=COLLECTOR,
        units=of,
        tools=tools,
        wants={ends[name]: want for name, want in wants.items()},
        dusts={ends[name]: run.dust for name, run in file.run.items() if run.dust is not None and name in ends},
        hoods={part: _hood_keys(name, file.run[name], wants[name], of) for name, part in ends.items()},
        ducts={name: {"material": each} for name, each in materials.items() if each != "galvanised"},
        config=config,
        stick=None if file.stick is None else file.stick * of.length,
        sold_said=file.sold is not None,
    )


def filters(loss: FilterLoss | None, of: Units) -> tuple[Filter, Filter]:
    """Clean and dirty."""
    if loss is None:
        return Filter(), Filter()
    at = (loss.at * of.flow) ** loss.exponent
    return (
        Filter(loss.clean * of.pressure / at, loss.exponent),
        Filter(loss.dirty * of.pressure / at, loss.exponent),
    )


def _want(name: str, run: RunTable, of: Units) -> Want:
    if run.flow is not None:
        return Want(run.flow * of.flow, OWN)
    want = default_flow(run.tool or (name,), (run.port or 0.0) * of.diameter)
    if want is None:
        raise ValueError(f"run {name} has no tool")
    return want


def _hood_keys(name: str, run: RunTable, want: Want, of: Units) -> dict[str, Any]:
    """What the config's hood table says of it."""
    tools = run.tool or (name,)
    keys: dict[str, Any] = {"entry": run.entry}
    if want.why == OWN:
        keys["flow"] = float(f"{want.flow / of.flow:.4g}")
    keys["tool"] = tools[0] if len(tools) == 1 else list(tools)
    return keys | ({"dust": run.dust} if run.dust is not None else {})


def _cut(file: SizeFile, wants: Mapping[str, Want], of: Units) -> tuple[tuple[Run, ...], dict[str, str]]:
    """The runs, cut where others join along them, and by the file's run with an end: the part that has it."""
    found: list[Run] = []
    parts, straight = _parts(file), _straight(file.run)
    for name, run in file.run.items():
        before = 0.0
        for number, (until, part) in enumerate(parts[name]):
            is_last = number == len(parts[name]) - 1
            at_machine = is_last and name in wants
            has_gate = at_machine if name in wants else number == 0
            gate = gate_of(name, run, file.run) if has_gate else None
            fittings = _fittings(run) if number == 0 else []
            fittings += [GATE] if gate is not None else []
            if number == 0 and run.into is not None and name not in straight:
                fittings.append(ANGLES[run.join] if isinstance(run.join, int) else ANGLES[45])
            material = run.material or file.material
            found.append(
                Run(
                    name=part,
                    into=parts[name][number - 1][1] if number else _part_joined(parts, run, file.run),
                    length=(until - before) * of.length,
                    material=material,
                    roughness=MATERIALS[material].roughness,
                    fittings=tuple(fittings),
                    hose=run.hose * of.length if at_machine else 0.0,
                    gate=gate,
                    opening=_opening(run, wants[name], of) if at_machine else None,
                )
            )
            before = until
    return tuple(found), {name: parts[name][-1][1] for name in wants}


def _parts(file: SizeFile) -> dict[str, list[tuple[float, str]]]:
    """By run: where each of its parts ends, from the fan's end, and what that is called."""
    taken, found = set(file.run), {}
    for name, run in file.run.items():
        cuts = {joins_at(each, file.run) for each in file.run.values() if each.into == name}
        ends = [*sorted(cut for cut in cuts if 0 < cut < run.length), run.length]
        names = [name]
        while len(names) < len(ends):
            names.append(_free(name, len(names) + 1, taken))
        found[name] = list(zip(ends, names, strict=True))
    return found


def _fittings(run: RunTable) -> list[str | float]:
    """Elbows, and what else loses pressure in it."""
    elbows: list[str | float] = [elbow for elbow, count in run.elbows.items() for _ in range(count)]
    return [*elbows, run.k] if run.k > 0 else elbows


def _free(name: str, number: int, taken: set[str]) -> str:
    """A name for a run's part that no run has."""
    while (part := f"{name}_{number}") in taken:
        number += 1
    taken.add(part)
    return part


def _part_joined(
    parts: Mapping[str, list[tuple[float, str]]], run: RunTable, runs: Mapping[str, RunTable]
) -> str | None:
    """The part of the other run at whose hood end this one joins."""
    if run.into is None:
        return None
    at = joins_at(run, runs)
    return next((part for end, part in parts[run.into] if end >= at), parts[run.into][-1][1])


def _straight(runs: Mapping[str, RunTable]) -> frozenset[str]:
    """The runs that go straight on: those that say so, else the first at each far end that has no angle."""
    found = {name for name, run in runs.items() if run.join == "straight"}
    for far in runs:
        there = [n for n, run in runs.items() if run.into == far and joins_at(run, runs) >= runs[far].length]
        if not found & set(there):
            found |= set([name for name in there if runs[name].join is None][:1])
    return frozenset(found)


def _opening(run: RunTable, want: Want, of: Units) -> Opening:
    return Opening(
        flow=want.flow,
        entry=ENTRIES[run.entry] if isinstance(run.entry, str) else float(run.entry),
        port=None if run.port is None else run.port * of.diameter,
        dust_velocity=None if run.dust is None else DUSTS[run.dust].wanted,
    )


def _asked(
    file: SizeFile, runs: tuple[Run, ...], ends: Mapping[str, str]
) -> tuple[tuple[Asked, ...], dict[str, tuple[str, ...]]]:
    """Each tool alone, up to `at_once` of them together, and those that are said to run together; the tools by label.

    Raises:
        SizingFileError: these are too many.
    """
    by_name = {run.name: run for run in runs}
    parts: dict[str, list[str]] = {}
    for name, part in ends.items():
        for tool in file.run[name].tool or (name,):
            parts.setdefault(tool, []).append(part)
    askers = Askers()
    for tool, dusty in parts.items():
        gates = frozenset(gate for part in dusty if (gate := _gate_of(by_name, part)) is not None)
        askers.add(tool, gates, frozenset(dusty), by_hand=kind_of(tool) == "floor_sweep")
    together: list[frozenset[str]] = []
    for count in range(2, min(file.at_once, len(askers.alone)) + 1):
        for some in combinations([asked.who[0] for asked in askers.alone], count):
            together.append(frozenset(some))
            if len(together) > MOST_SETS:
                many = f"at_once = {file.at_once}: of {named(len(parts), 'tool')} these are more than {MOST_SETS} sets"
                raise SizingFileError(f"{many}; name those that matter in together")
    label = {name: askers.label[(file.run[name].tool or (name,))[0]] for name in ends} | askers.label
    together += [frozenset(label[name] for name in some) for some in file.together]
    return askers.sets(together), askers.tools


class Askers:
    """Who asks for which gates: tools at one hood ask as one."""

    def __init__(self) -> None:
        self._found: dict[tuple[frozenset[str], frozenset[str]], list[tuple[str, bool]]] = {}

    def add(self, name: str, gates: frozenset[str], dusty: frozenset[str], *, by_hand: bool) -> None:
        """One more, a tool or the gate that is opened by hand."""
        self._found.setdefault((gates, dusty), []).append((name, by_hand))

    @property
    def tools(self) -> dict[str, tuple[str, ...]]:
        """By label, the tools; a start by hand is none."""
        return {_label(names): tuple(name for name, by_hand in names if not by_hand) for names in self._found.values()}

    @property
    def label(self) -> dict[str, str]:
        """By name of a tool or of a gate started by hand."""
        return {name: _label(names) for names in self._found.values() for name, _ in names}

    @property
    def alone(self) -> list[Asked]:
        """Each by itself."""
        return [
            Asked((_label(names),), gates, dusty, by_hand=all(by_hand for _, by_hand in names))
            for (gates, dusty), names in self._found.items()
        ]

    def sets(self, together: Iterable[frozenset[str]]) -> tuple[Asked, ...]:
        """Each by itself, and these labels together; each set once."""
        alone = {asked.who[0]: asked for asked in self.alone}
        found = {(asked.gates, asked.dusty): asked for asked in alone.values()}
        for labels in together:
            some = [asked for label, asked in alone.items() if label in labels]
            gates = frozenset[str]().union(*(asked.gates for asked in some))
            dusty = frozenset[str]().union(*(asked.dusty for asked in some))
            found.setdefault((gates, dusty), Asked(tuple(asked.who[0] for asked in some), gates, dusty))
        return tuple(found.values())


def _label(names: Sequence[tuple[str, bool]]) -> str:
    return listed(dict.fromkeys(name for name, _ in names))


def _gate_of(runs: Mapping[str, Run], name: str) -> str | None:
    """The gate on the way from a run to the collector."""
    here: str | None = name
    while here is not None:
        if (gate := runs[here].gate) is not None:
            return gate
        here = runs[here].into
    return None
