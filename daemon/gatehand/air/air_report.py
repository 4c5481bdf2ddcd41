"""The report of `airflow`: for people, as TOML ready to be copied into a config, and for programs."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import asdict, replace

from gatehand.air import air_words, proposals_words
from gatehand.air.analysis import AssessedSet, Report
from gatehand.air.duct_model import DuctSystem
from gatehand.air.measured import Fitted
from gatehand.air.measured_words import fit_as_json
from gatehand.air.room import room_as_json, room_as_text, rooms
from gatehand.terminal import columns
from gatehand.text import as_sentence, listed, named
from gatehand_air.ducting import WORSE, Ducting, Lack, Short, Verdict, judge
from gatehand_air.solve import Solution, Solver, SolveResult
from gatehand_air.spread import Ignorance, spread

LEFT_OUT: Final = """\
What these figures leave out: leaks at joints, the bends of a hose and a hose that is not stretched, what a bend right \
before the fan's inlet costs, dust that a hood lets escape. Branch entries are constant factors on the branch's \
velocity pressure. Figures marked [memory] or [practice] have no published source behind them.
Measure: an anemometer or a pitot tube shows what the air really does; then give the readings with --measured.
Opinions on gating differ: one public works standard sizes ducts for all hoods open and uses gates only to balance. \
British and German guides design for the machines used together and want air speeds measured again when gate control \
changes; this report follows them.
Moving dust charges a duct, plastic most of all: bond and earth it. Fine wood dust harms, and it can burn and \
explode. Local rules come first; beyond a hobby shop ask someone competent."""

MOST_LINES: Final = 30
"""Sets in the table; of more, those of one tool (at most so many) and the worst of several."""
MOST_OF_SEVERAL: Final = 10
MOST_NAMED: Final = 5
"""Gates; of more, all of them are called that."""
MOST_IN_FULL: Final = 6
"""Sets of one tool that are shown duct by duct."""


def as_text(reports: Sequence[Report], *, full: bool) -> str:
    """Everything that the command prints. `full`: every set in full, not only what falls short with one tool alone."""
    lines = [line for report in reports for line in _report(report, len(reports), full=full)]
    return "\n".join([*lines, LEFT_OUT])


def _report(report: Report, of: int, *, full: bool) -> Iterator[str]:
    system = report.system
    say = system.say
    wanted = f"{say.velocity(system.ducting.branch_velocity)} wanted in branches"
    if system.ducting.network.mains():
        wanted += f", {say.velocity(system.ducting.main_velocity, word=False)} in the main"
    air = f"air of {system.ducting.air.density:.3f} kg/m3"
    yield f"collector {system.collector}: {wanted}, where the hood names no dust; {air}"
    for hood in dict.fromkeys([*system.wants, *system.ducting.network.gate_of]):
        want, speed = system.wants.get(hood), system.ducting.network.duct(hood).dust_velocity
        wants = [f"{say.flow(want.flow)} wanted ({want.why})"] if want is not None else []
        wants += [f"{say.velocity(speed)} for its dust"] if speed is not None else []
        if wants:
            yield f"  {say.hood(hood)}: {' and '.join(wants)}"
    yield ""
    yield from _summary(report, full=full)
    yield from dict.fromkeys(
        as_sentence(air_words.unsolved(short.answer, system.collector, say))
        for view in report.views
        for short in view.assessment.shorts
        if short.answer is not None
    )
    clean = " with a clean filter" if system.ducting.clean is not system.ducting.dirty else ""
    yield f"Suction is {system.units.pressure_word} at the collector's inlet{clean}."
    yield f"Each ± holds in 19 cases of 20 where {known(system.ducting.ignorance)}."
    told = [view for view in report.views if full or (view.assessment.shorts and view.asked.together == 1)]
    for view in told if full else told[:MOST_IN_FULL]:
        yield ""
        yield from _set(system, view, full=full)
    if not full and len(told) > MOST_IN_FULL:
        yield ""
        more = named(len(told) - MOST_IN_FULL, "more set")
        yield f"... and {more} of one tool or hand start: airflow --full shows each."
    yield ""
    yield from room_as_text(rooms(system), say)
    yield ""
    yield from proposals_words.lines(report, of)
    yield ""


def known(ignorance: Ignorance) -> str:
    """How well the inputs are taken to be known, as the end of a sentence."""
    parts = (ignorance.fan, ignorance.factors, ignorance.entries, ignorance.roughness, ignorance.filter)
    fan, *others = (f"{100 * part:.2g} %" for part in parts)
    rest = [f"{what} to {part}" for what, part in zip(_INPUTS, others, strict=True)]
    return f"the fan's curve is known to {fan}, {listed(rest, last='and')}"


_INPUTS: Final = ("fittings", "hood entries", "roughness", "the filter")


def _summary(report: Report, *, full: bool) -> Iterator[str]:
    """One line for each set: the fan's working point with a clean and a dirty filter, suction, verdict.

    Of many sets only those of one tool and the worst of several; the others are counted, unless `full`.
    """
    shown = list(report.views) if full else _worth_a_line(report.views)
    system = report.system
    of, both = system.units, system.ducting.clean is not system.ducting.dirty
    flows = [f"clean {of.flow_word}", f"dirty {of.flow_word}"] if both else [of.flow_word]
    table = [["open", "verdict", *flows, "suction"]]
    for view in shown:
        gates = view.assessment.gates
        name = ", ".join(sorted(gates)) or "(no gate)"
        if gates == system.gates and (len(gates) > MOST_NAMED or not view.is_asked):
            name = f"all {named(len(gates), 'gate')}"  # one row does not make all others wide
        if sum(other.assessment.gates == gates for other in report.views) > 1:  # same gates, dust at another hood
            name += f" ({air_words.askers(view.asked) or 'all of them'})"
        table.append([name, air_words.verdict(view.assessment, system.say), *_points(system, view, both=both)])
    yield from columns(table)
    if any(not view.is_asked for view in shown):
        why = "without max_open nothing forbids it" if system.max_open is None else "max_open forbids it"
        yield f"All gates at once is shown for comparison: no set of tools asks for it, and {why}."
    if rest := [view for view in report.views if view not in shown]:
        counts = Counter(_worst(view) for view in rest)
        each = listed((f"{counts[verdict]} {_COUNTED[verdict]}" for verdict in WORSE if counts[verdict]), last="and")
        yield f"... and {named(len(rest), 'more set')}: {each}; airflow --full shows each."


def _worth_a_line(views: Sequence[AssessedSet]) -> list[AssessedSet]:
    """All where they are few; else those of one demand, those that nobody can ask for, the worst of several."""
    if len(views) <= MOST_LINES:
        return list(views)
    alone = [view for view in views if view.asked.together == 1]
    several = [view for view in views if view.asked.together != 1]
    bad = sorted(several, key=lambda view: (view.is_asked, -WORSE.index(_worst(view))))[:MOST_OF_SEVERAL]
    kept = (*sorted(alone, key=lambda view: -WORSE.index(_worst(view)))[:MOST_LINES], *bad)
    return [view for view in views if view in kept]


def _worst(view: AssessedSet) -> Verdict:
    return max((short.verdict for short in view.assessment.shorts), key=WORSE.index, default=Verdict.MET)


_COUNTED: Final = {
    Verdict.MET: "well",
    Verdict.CLOSE: "too close to call",
    Verdict.UNKNOWN: "unknown",
    Verdict.SHORT: "short",
}


def _points(system: DuctSystem, view: AssessedSet, *, both: bool) -> Iterator[str]:
    """The flow through the fan, clean and dirty where they are two, and the suction with a clean filter."""
    say, ducting, one = system.say, system.ducting, view.assessment
    suction = "?"
    for solver, answer in ((ducting.clean, one.clean), (ducting.dirty, one.dirty))[: 1 + both]:
        if not isinstance(answer, Solution):
            yield air_words.over(answer, say)
            continue
        off = spread(solver, one.gates, answer, ducting.ignorance).flows[ducting.network.root.name]
        yield say.give(answer.flow, off, say.bare_flow)
        suction = say.bare_pressure(ducting.suction(answer)) if answer is one.clean else suction
    yield suction


_BEYOND: Final = "beyond max_open, shown for comparison"


def _set(system: DuctSystem, view: AssessedSet, *, full: bool) -> Iterator[str]:
    """One set in full: every hood against its flow, every duct against its velocity, sentences."""
    why = "all at once; without max_open nothing forbids it" if system.max_open is None else _BEYOND
    who = air_words.askers(view.asked) or (why if not view.is_asked else "")
    opened = air_words.opened(view.assessment.gates) if system.gates else "with no gate, always open"
    yield f"{opened}{f' ({who})' if who else ''}"
    of = system.units
    if rows := list(_ducts(system, view) if full else air_words.merged(_ducts(system, view))):
        yield from columns([["", of.flow_word, of.velocity_word, "wanted", "dirty filter", ""], *rows], "  ")
    if points := [*_pressures(system, view)]:
        yield f"  at the collector's inlet: {', '.join(points)}"
    lines = air_words.shortfalls(view.assessment, system.collector, system.say, view.helped, whole=False)
    yield from (f"  -> {line}" for line in lines)


def _pressures(system: DuctSystem, view: AssessedSet) -> Iterator[str]:
    """What a gauge there reads and what the fan gives: "suction 8.90 ± 0.61 in.w.g. (fan static 8.68)"."""
    ducting, say, one = system.ducting, system.say, view.assessment
    answers = [(ducting.clean, one.clean), (ducting.dirty, one.dirty)][: 1 if ducting.dirty is ducting.clean else 2]
    for number, (solver, answer) in enumerate(answers):
        if isinstance(answer, Solution):
            off = spread(solver, one.gates, answer, ducting.ignorance).suction
            found = say.give(ducting.suction(answer), off, say.bare_pressure)
            text = f"suction {found} {system.units.pressure_word} (fan static {say.bare_pressure(answer.pressure)})"
            yield text if number == 0 else f"with a dirty filter {text}"


def _ducts(system: DuctSystem, view: AssessedSet) -> Iterator[list[str]]:
    """Every duct with air in it, from the hoods to the fan; a hood's flow in a line of its own."""
    ducting, gates, say = system.ducting, view.assessment.gates, system.say
    clean = _Air.of(ducting, ducting.clean, gates, view.assessment.clean)
    dirty = _Air.of(ducting, ducting.dirty, gates, view.assessment.dirty)
    short = {(s.lack, s.where): s for s in view.assessment.shorts}
    dusty = ducting.wanted_for(view.assessment.dusty)
    for name in clean.flows:
        duct = ducting.network.duct(name)
        area = ducting.areas[name]
        if duct.entry is not None:
            want = system.wants.get(name) if name in view.assessment.dusty else None
            wanted = say.flow(want.flow, word=False) if want is not None else "-"
            both = [air.put(say, name, 1.0, say.bare_flow) for air in (clean, dirty)]
            note = _note(short.get((Lack.HOOD_FLOW, name)))
            yield [f"hood {say.hood(name)}", both[0], "", wanted, both[1], note]
        both = [air.put(say, name, area, say.bare_velocity) for air in (clean, dirty)]
        wanted = say.velocity(dusty[name], word=False) if name in dusty else "clean air"
        flow = clean.put(say, name, 1.0, say.bare_flow)
        note = _note(short.get((Lack.SLOW_DUCT, name)))
        yield [f"duct {name}, {say.diameter(duct.diameter)}", flow, both[0], wanted, both[1], note]


class _Air(Struct, frozen=True):
    """Flows of one answer by duct with their half-widths, m3/s; `bound`: that they are "over" or "under" only."""

    flows: Mapping[str, float]
    spreads: Mapping[str, float]
    bound: str = ""

    @classmethod
    def of(cls, ducting: Ducting, solver: Solver, gates: frozenset[str], answer: SolveResult) -> "_Air":
        if isinstance(answer, Solution):
            return cls(answer.flows, spread(solver, gates, answer, ducting.ignorance).flows)
        if answer.bound is None:
            return cls({}, {})
        return cls(answer.bound.flows, {}, air_words.BOUND[answer.why])

    def put(self, say: air_words.Speaker, name: str, per: float, put: Callable[[float], str]) -> str:
        if name not in self.flows:
            return "?"
        value = say.give(self.flows[name] / per, self.spreads.get(name, 0.0) / per, put)
        return f"{self.bound} {value}".lstrip()


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
        "known_to": {r.system.collector: asdict(r.system.ducting.ignorance) for r in reports},
        "room": [one for r in reports for one in room_as_json(r.system)],
        "sets": [_json_set(report.system, view) for report in reports for view in report.views],
        "proposals": proposals_words.as_json(reports),
    }


def _json_set(system: DuctSystem, view: AssessedSet) -> dict[str, Any]:
    """One set: the air with the clean filter, beside it with the dirty one."""
    one, say, ducting = view.assessment, system.say, system.ducting
    by = {each: replace(one, shorts=tuple(s for s in one.shorts if s.verdict is each)) for each in Verdict}
    close, unknown = by[Verdict.CLOSE], by[Verdict.UNKNOWN]
    return {
        "open": sorted(one.gates),
        "collector": system.collector,
        "dusty": sorted(one.dusty),
        "asked_by": [[air_words.asker(demand) for demand in together] for together in view.asked.demands],
        **_json_air(system, ducting.clean, one.clean, view),
        "dirty": _json_air(system, ducting.dirty, one.dirty, view),
        "short": list(air_words.shortfalls(by[Verdict.SHORT], system.collector, say, view.helped)),
        "too_close_to_call": list(air_words.shortfalls(close, system.collector, say)),
        "unknown": list(air_words.shortfalls(unknown, system.collector, say)),
    }


def _json_air(system: DuctSystem, solver: Solver, answer: SolveResult, view: AssessedSet) -> dict[str, Any]:
    """Flows and velocities of one answer with their half-widths; nulls where there is none."""
    of, ducting, one = system.units, system.ducting, view.assessment
    found: dict[str, Any] = {"flow": None, "pressure": None, "suction": None}
    flows: Mapping[str, float] = {}
    off: Mapping[str, float] = {}
    if isinstance(answer, Solution):
        half = spread(solver, one.gates, answer, ducting.ignorance)
        flows, off = answer.flows, half.flows
        found = {
            "flow": _six(answer.flow / of.flow),
            "flow_spread": _six(off[ducting.network.root.name] / of.flow),
            "pressure": _six(answer.pressure / of.pressure),
            "suction": _six(ducting.suction(answer) / of.pressure),
            "suction_spread": _six(half.suction / of.pressure),
        }
    elif answer.bound is not None:
        found |= {"bound": {"flow_is": air_words.BOUND[answer.why], "flow": _six(answer.bound.flow / of.flow)}}
    return {
        **found,
        "ducts": {
            name: {"flow": _six(flow / of.flow), "velocity": _six(flow / ducting.areas[name] / of.velocity)}
            | {"velocity_spread": _six(off[name] / ducting.areas[name] / of.velocity)}
            for name, flow in flows.items()
        },
        "hoods": {
            hood: _json_hood(system, hood, flows.get(hood), off.get(hood))
            for hood in ducting.network.gate_of
            if hood in ducting.network.always_open | ducting.network.behind(one.gates)
        },
    }


def _as_written(tools: tuple[str, ...] | None) -> str | list[str] | None:
    """As a config has it: one name, or a list of several."""
    return tools[0] if tools is not None and len(tools) == 1 else list(tools) if tools is not None else None


def _json_hood(system: DuctSystem, hood: str, flow: float | None, off: float | None) -> dict[str, Any]:
    of, want = system.units, system.wants.get(hood)
    return {
        "gate": system.ducting.network.gate_of[hood],
        "tool": _as_written(system.tools.get(hood)),
        "flow": None if flow is None else _six(flow / of.flow),
        "spread": None if off is None else _six(off / of.flow),
        "wanted": None if want is None else _six(want.flow / of.flow),
        "verdict": None if flow is None or off is None or want is None else judge(flow, off, want.flow),
    }


def _six(value: float) -> float:
    return air_words.significant(value, 6)
