"""The report of `airflow`: for people, as TOML ready to be copied into a config, and for programs."""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from gatehand.air import air_words
from gatehand.air.analysis import AssessedSet, Report
from gatehand.air.duct_model import DuctSystem
from gatehand.air.measured import Fitted
from gatehand.air.measured_words import fit_as_json
from gatehand.terminal import columns
from gatehand_air.cures import Assist, LeastRunOn, MaxOpen, Size
from gatehand_air.ducting import Lack, Short, Verdict
from gatehand_air.solve import Solution, SolveResult

LEFT_OUT: Final = """\
What these figures leave out: leaks at joints, the bends of a hose and a hose that is not stretched, what a bend right
before the fan's inlet costs, dust that a hood lets escape. Branch entries are constant factors on the branch's velocity
pressure. Figures marked [memory] or [practice] have no published source behind them.
Measure: an anemometer or a pitot tube shows what the air really does; then give the readings with --measured.
Opinions on gating differ: one public works standard sizes ducts for all hoods open and uses gates only to balance.
British and German guides design for the machines used together and want air speeds measured again when gate control
changes; this report follows them.
Fine wood dust harms, and it can burn and explode. Local rules come first; beyond a hobby shop ask someone competent."""


def as_text(reports: Sequence[Report], *, full: bool) -> str:
    """Everything that the command prints. `full`: each set in full, also where nothing falls short."""
    lines = [line for report in reports for line in _report(report, full=full)]
    return "\n".join([*lines, LEFT_OUT])


def _report(report: Report, *, full: bool) -> Iterator[str]:
    system = report.system
    say = system.say
    wanted = f"{say.velocity(system.ducting.branch_velocity)} in branches"
    if system.ducting.network.mains():
        wanted += f", {say.velocity(system.ducting.main_velocity, word=False)} in the main duct"
    yield f"collector {system.collector}, wanted: {wanted}; air of {system.ducting.air.density:.3f} kg/m3"
    yield from (f"  {say.hood(hood)} wants {say.flow(want.flow)} ({want.why})" for hood, want in system.wants.items())
    yield ""
    yield from _summary(report)
    for view in report.views:
        if full or view.assessment.shorts:
            yield ""
            yield from _set(system, view)
    yield ""
    yield from _proposals(report)
    yield ""


def _summary(report: Report) -> Iterator[str]:
    """One line for each set: the fan's working point with a clean and a dirty filter, suction, verdict."""
    of = report.system.units
    point = of.flow_word, of.pressure_word, "suction"
    table = [["", "clean", "filter", "", "dirty", "filter", "", ""], ["open", *point, *point, "verdict"]]
    for view in report.views:
        both = _point(report.system, view.assessment.clean) + _point(report.system, view.assessment.dirty)
        table.append([", ".join(sorted(view.assessment.gates)) or "(none)", *both, _verdict(view)])
    yield from columns(table)


def _point(system: DuctSystem, answer: SolveResult) -> list[str]:
    if not isinstance(answer, Solution):
        return ["?", "?", "?"]
    say = system.say
    pressures = [say.pressure(p, word=False) for p in (answer.pressure, system.ducting.suction(answer))]
    return [say.flow(answer.flow, word=False), *pressures]


def _verdict(view: AssessedSet) -> str:
    shorts = view.assessment.fails
    if any(short.lack is Lack.NO_ANSWER for short in shorts):
        verdict = "no answer"
    elif any(short.settles for short in shorts):
        verdict = "sawdust settles"
    elif shorts:
        verdict = "short" if not all(short.dirty for short in shorts) else "short with a dirty filter"
    else:
        verdict = "too close to call" if view.assessment.shorts else "well"
    return verdict if view.is_asked else f"{verdict} (not asked for: max_open)"


def _set(system: DuctSystem, view: AssessedSet) -> Iterator[str]:
    """One set in full: every hood against its flow, every duct against its velocity, sentences."""
    who = air_words.askers(view.asked) or ("beyond max_open, shown for comparison" if not view.is_asked else "")
    yield f"{air_words.opened(view.assessment.gates)}{f' ({who})' if who else ''}"
    if isinstance(view.assessment.clean, Solution):
        rows = [
            ["", system.units.flow_word, system.units.velocity_word, "wanted", "dirty filter", ""],
            *_ducts(system, view),
        ]
        yield from columns(rows, "  ")
    lines = air_words.shortfalls(view.assessment, system.collector, system.say, view.helped, whole=False)
    yield from (f"  -> {line}" for line in lines)


def _ducts(system: DuctSystem, view: AssessedSet) -> Iterator[list[str]]:
    """Every duct with air in it, from the hoods to the fan; a hood's flow in a line of its own."""
    clean, dirty = view.assessment.clean, view.assessment.dirty
    if not isinstance(clean, Solution):
        return
    say, ducting = system.say, system.ducting
    speeds = ducting.velocities(clean)
    later = ducting.velocities(dirty) if isinstance(dirty, Solution) else {}
    flows_later = dirty.flows if isinstance(dirty, Solution) else {}
    short = {(s.lack, s.where): s for s in view.assessment.shorts}
    dusty = ducting.wanted_for(view.assessment.dusty)
    for name, flow in clean.flows.items():
        duct = ducting.network.duct(name)
        if duct.entry is not None:
            want = system.wants.get(name)
            dirty_flow = say.flow(flows_later[name], word=False) if name in flows_later else "?"
            wanted = say.flow(want.flow, word=False) if want is not None else "-"
            note = _note(short.get((Lack.HOOD_FLOW, name)))
            yield [f"hood {say.hood(name)}", say.flow(flow, word=False), "", wanted, dirty_flow, note]
        slow = _note(short.get((Lack.SLOW_DUCT, name)))
        wanted = say.velocity(dusty[name], word=False) if name in dusty else "clean air"
        dirty_speed = say.velocity(later[name], word=False) if name in later else "?"
        size = f"duct {name}, {say.diameter(duct.diameter)}"
        yield [size, say.flow(flow, word=False), say.velocity(speeds[name], word=False), wanted, dirty_speed, slow]


def _note(short: Short | None) -> str:
    if short is None:
        return ""
    if short.verdict is Verdict.CLOSE:
        return "too close to call"
    what = "sawdust settles" if short.settles else "slow" if short.lack is Lack.SLOW_DUCT else "short"
    return f"{what} with a dirty filter" if short.dirty else what


def _proposals(report: Report) -> Iterator[str]:
    """What the ducts ask of the config, in words, then as TOML."""
    found = report.proposals
    say = report.system.say
    yield "what the ducts ask for, with a dirty filter:"
    yield f"  {_carries(found.max_open, report, say)}"
    yield from (f"  tool {tool}: {_assist(help_, say)}" for tool, help_ in found.assists.items())
    yield from (f"  {_run_on(one)}" for one in found.run_ons)
    yield from (f"  {_size(one, say)}" for one in found.sizes)
    if proposed := as_toml(report):
        yield ""
        yield "as TOML:"
        yield from (f"  {line}".rstrip() for line in proposed.splitlines())


def _carries(carries: MaxOpen, report: Report, say: air_words.Speaker) -> str:
    left_out = (
        f" ({air_words.names(carries.unserved)} fall short even alone and do not count)" if carries.unserved else ""
    )
    if carries.gates is None:
        return f"no hood gets what it wants even alone{left_out}"
    if carries.fails is not None:
        why = air_words.too_many(carries, report.system.collector, say)
        return f"the fan carries {carries.gates} open at once{left_out}: {why}"
    many = "more sets than are looked through" if carries.cut_off else "all of them"
    return f"the fan carries {carries.gates} open at once, {many}{left_out}"


def _assist(help_: Assist, say: air_words.Speaker) -> str:
    """Which gates to open with a tool's own, or which come nearest."""
    gain = f"{say.velocity(help_.speed)} instead of {say.velocity(help_.slow.found, word=False)} in {help_.slow.where}"
    if help_.cures:
        return f"opening {air_words.names(help_.gates)} as well brings {gain}"
    return f"no further gates cure it; {air_words.names(help_.gates)} come nearest with {gain}"


def _uncured(one: LeastRunOn) -> str:
    return "; sawdust settles on its way, which no run-on cures" if one.settles else ""


def _run_on(one: LeastRunOn) -> str:
    clears = f"{one.clearing:.1f} s to clear, twice, and 1 s"
    spins = f"{one.spin_down:g} s spin-down, " if one.spin_down else "no spin_down given, "
    return f"tool {one.tool}: run_on {one.least:g} s at least ({spins}{clears}{_uncured(one)})"


def _size(size: Size, say: air_words.Speaker) -> str:
    """Which duct limits, and what another size brings."""
    put = say.flow if size.short.lack is Lack.HOOD_FLOW else say.velocity
    what = f"{air_words.names(size.ducts)} in {say.diameter(size.diameter)}"
    gain = f"{put(size.brings)} instead of {put(size.short.found, word=False)} at {say.hood(size.short.where)}"
    enough = "" if size.enough else f", still short of {put(size.short.wanted, word=False)}"
    costs = f"; but {air_words.sets(size.costs)} would fall short then" if size.costs else ""
    return f"{air_words.asker(size.demand)}: {what} brings {gain}{enough}{costs}"


def as_toml(report: Report) -> str:
    """Tables and keys to put into the config, each with its reason; empty when nothing is to be changed."""
    tables: dict[str, list[str]] = {}
    carries, system = report.proposals.max_open, report.system
    if carries.forbids(system.max_open):
        why = air_words.too_many(carries, system.collector, system.say)
        tables[f"collector.{system.collector}"] = [f"max_open = {carries.gates}  # {why}"]
    _toml_tools(report, tables)
    _toml_sizes(report, tables)
    return "\n".join("\n".join([f"[{name}]", *lines, ""]) for name, lines in tables.items())


def _toml_tools(report: Report, tables: dict[str, list[str]]) -> None:
    say = report.system.say
    configured = {demand.name: demand.assist for demand in report.system.demands}
    for tool, help_ in report.proposals.assists.items():
        if help_.cures and not help_.gates <= set(configured[tool]):
            gates = air_words.toml_list(help_.gates)
            before, after = say.velocity(help_.slow.found, word=False), say.velocity(help_.speed)
            tables.setdefault(f"tool.{tool}", []).append(
                f"assist = {gates}  # {help_.slow.where} runs at {before} without, at {after} with"
            )
    for one in report.proposals.run_ons:
        tables.setdefault(f"tool.{one.tool}", []).append(_toml_run_on(one, report.run_ons[one.tool]))


def _toml_run_on(one: LeastRunOn, set_to: float) -> str:
    """A line to copy where the run-on is too short, else a comment."""
    spins = f"spin-down {one.spin_down:g} s, " if one.spin_down else ""
    reason = f"{spins}twice the {one.clearing:.1f} s to clear the ducts, 1 s{_uncured(one)}"
    if set_to < one.least:
        return f"run_on = {one.least:g}  # at least, not {set_to:g}: {reason}"
    return f"# run_on = {one.least:g} is the least, {set_to:g} is set: {reason}"


def _toml_sizes(report: Report, tables: dict[str, list[str]]) -> None:
    """Sizes that would do, as comments: a duct is not changed by a line in a file."""
    chosen: dict[tuple[tuple[str, ...], float], list[Size]] = {}
    for size in report.proposals.sizes:
        if size.enough and not size.costs:
            chosen.setdefault((size.ducts, size.diameter), []).append(size)
    for (ducts, diameter), sizes in chosen.items():
        shown = diameter / report.system.units.diameter
        for duct in ducts:
            reasons = "; ".join(dict.fromkeys(_toml_reason(report, size) for size in sizes))
            tables.setdefault(f"duct.{duct}", []).append(f"# diameter = {shown:.4g}  # {reasons}")


def _toml_reason(report: Report, size: Size) -> str:
    say = report.system.say
    if size.short.lack is Lack.HOOD_FLOW:
        where = say.hood(size.short.where)
        return f"{say.flow(size.brings)} at {where} instead of {say.flow(size.short.found, word=False)}"
    before = say.velocity(size.short.found, word=False)
    return f"{say.velocity(size.brings)} in {size.short.where} with {size.demand.name} alone instead of {before}"


def as_json(reports: Sequence[Report], units: str, fits: Sequence[Fitted] = ()) -> dict[str, Any]:
    """The report for programs: the shape is part of the contract. Numbers in the config's units, six digits.

    Every set and the proposals of all collectors; with readings also how the fan was fitted.
    """
    return {
        "units": units,
        **({"fits": [fit_as_json(fitted) for fitted in fits]} if fits else {}),
        "sets": [_json_set(report.system, view) for report in reports for view in report.views],
        "proposals": {
            "max_open": {r.system.collector: r.proposals.max_open.gates for r in reports},
            "assist": {t: sorted(h.gates) for r in reports for t, h in r.proposals.assists.items() if h.cures},
            "run_on": {one.tool: one.least for r in reports for one in r.proposals.run_ons},
            "sizes": [size for report in reports for size in _json_sizes(report)],
            "toml": "\n".join(text for r in reports if (text := as_toml(r))),
        },
    }


def _json_set(system: DuctSystem, view: AssessedSet) -> dict[str, Any]:
    """One set: the air with the clean filter, beside it with the dirty one."""
    return {
        "open": sorted(view.assessment.gates),
        "collector": system.collector,
        "asked_by": [[air_words.asker(demand) for demand in together] for together in view.asked.demands],
        **_json_air(system, view.assessment.clean, view),
        "dirty": _json_air(system, view.assessment.dirty, view),
        "short": list(air_words.shortfalls(view.assessment, system.collector, system.say, view.helped)),
    }


def _json_air(system: DuctSystem, answer: SolveResult, view: AssessedSet) -> dict[str, Any]:
    """Flows and velocities of one answer; nulls where there is none."""
    of, ducting = system.units, system.ducting
    gate_of = ducting.network.gate_of
    live = ducting.network.always_open | ducting.network.behind(view.assessment.gates)
    wanted = {hood: _six(want.flow / of.flow) for hood, want in system.wants.items()}
    flows, speeds = (answer.flows, ducting.velocities(answer)) if isinstance(answer, Solution) else ({}, {})
    found: dict[str, float | None] = {"flow": None, "pressure": None, "suction": None}
    if isinstance(answer, Solution):
        found |= {"flow": _six(answer.flow / of.flow), "pressure": _six(answer.pressure / of.pressure)}
        found["suction"] = _six(ducting.suction(answer) / of.pressure)
    drawn = {hood: _six(flows[hood] / of.flow) if flows else None for hood in gate_of if hood in live}
    return {
        **found,
        "ducts": {n: {"flow": _six(q / of.flow), "velocity": _six(speeds[n] / of.velocity)} for n, q in flows.items()},
        "hoods": {
            hood: {"gate": gate_of[hood], "tool": system.tools.get(hood), "flow": flow, "wanted": wanted.get(hood)}
            for hood, flow in drawn.items()
        },
    }


def _json_sizes(report: Report) -> list[dict[str, Any]]:
    of = report.system.units
    found = []
    for size in report.proposals.sizes:
        unit = of.flow if size.short.lack is Lack.HOOD_FLOW else of.velocity
        found.append(
            {
                "for": air_words.asker(size.demand),
                "short": size.short.where,
                "found": _six(size.short.found / unit),
                "wanted": _six(size.short.wanted / unit),
                "ducts": list(size.ducts),
                "diameter": _six(size.diameter / of.diameter),
                "brings": _six(size.brings / unit),
                "enough": size.enough,
                "costs": [sorted(gates) for gates in size.costs],
            }
        )
    return found


def _six(value: float) -> float:
    return air_words.significant(value, 6)
