"""The report of `airflow`: for people, as TOML ready to be copied into a config, and for programs."""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from gatehand.air import air_words, proposals_words
from gatehand.air.analysis import AssessedSet, Report
from gatehand.air.duct_model import DuctSystem
from gatehand.air.measured import Fitted, fit_as_json
from gatehand.terminal import columns
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
    lines = [line for report in reports for line in _report(report, len(reports), full=full)]
    return "\n".join([*lines, LEFT_OUT])


def _report(report: Report, of: int, *, full: bool) -> Iterator[str]:
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
    yield from proposals_words.lines(report, of)
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


def as_json(reports: Sequence[Report], units: str, fits: Sequence[Fitted] = ()) -> dict[str, Any]:
    """The report for programs: the shape is part of the contract. Numbers in the config's units, six digits.

    Every set and the proposals of all collectors; with readings also how the fan was fitted.
    """
    return {
        "units": units,
        **({"fits": [fit_as_json(fitted) for fitted in fits]} if fits else {}),
        "sets": [_json_set(report.system, view) for report in reports for view in report.views],
        "proposals": proposals_words.as_json(reports),
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


def _six(value: float) -> float:
    return air_words.significant(value, 6)
