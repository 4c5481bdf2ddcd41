"""The report of `airflow`: for people, as TOML ready to be copied into a config, and for programs."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from msgspec import Struct
from msgspec.structs import asdict, replace

from gatehand.air import air_words
from gatehand.air.analysis import AssessedSet, Report
from gatehand.air.duct_model import DuctSystem
from gatehand.air.measured import Fitted
from gatehand.air.measured_words import fit_as_json
from gatehand.air.room import room_as_json, room_as_text, rooms
from gatehand.terminal import columns
from gatehand.text import listed, named
from gatehand_air.cures import Assist, LeastRunOn, MaxOpen, Size
from gatehand_air.ducting import Ducting, Lack, Short, Verdict, judge
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
Fine wood dust harms, and it can burn and explode. Local rules come first; beyond a hobby shop ask someone competent."""


MOST_NAMED: Final = 4
"""Gates that one cell of a table names."""
MOST_SETS: Final = 30
"""Sets that are all shown without --full."""
MOST_SEVERAL: Final = 10
"""Of more than those, the sets of several at once that are shown."""


def as_text(reports: Sequence[Report], *, full: bool) -> str:
    """Everything that the command prints. `full`: every set in full, not only what falls short with one tool alone."""
    lines = [line for report in reports for line in _report(report, full=full)]
    return "\n".join([*lines, LEFT_OUT])


def _report(report: Report, *, full: bool) -> Iterator[str]:
    system = report.system
    say = system.say
    wanted = f"{say.velocity(system.ducting.branch_velocity)} in branches"
    if system.ducting.network.mains():
        wanted += f", {say.velocity(system.ducting.main_velocity, word=False)} in the main duct"
    air = f"air of {system.ducting.air.density:.3f} kg/m3"
    yield f"collector {system.collector}, wanted where no dust is named: {wanted}; {air}"
    for hood in dict.fromkeys([*system.wants, *system.ducting.network.gate_of]):
        want, speed = system.wants.get(hood), system.ducting.network.duct(hood).dust_velocity
        wants = [f"{say.flow(want.flow)} ({want.why})"] if want is not None else []
        wants += [f"{say.velocity(speed)} for its dust"] if speed is not None else []
        if wants:
            yield f"  {say.hood(hood)} wants {' and '.join(wants)}"
    yield ""
    yield from _summary(report, full=full)
    yield f"Each ± holds in 19 cases of 20 where {known(system.ducting.ignorance)}."
    for view in report.views:
        if full or (view.assessment.shorts and view.asked.together == 1):
            yield ""
            yield from _set(system, view, full=full)
    yield ""
    yield from room_as_text(rooms(system), say)
    yield ""
    yield from _proposals(report)
    yield ""


def known(ignorance: Ignorance) -> str:
    """How well the inputs are taken to be known, as the end of a sentence."""
    parts = (ignorance.fan, ignorance.factors, ignorance.entries, ignorance.roughness, ignorance.filter)
    fan, *others = (f"{100 * part:.2g} %" for part in parts)
    rest = [f"{what} to {part}" for what, part in zip(_INPUTS, others, strict=True)]
    return f"the fan's curve is known to {fan}, {listed(rest, last='and')}"


_INPUTS: Final = ("fittings", "hood entries", "roughness", "the filter")


def _summary(report: Report, *, full: bool) -> Iterator[str]:
    """One line for each set: the fan's working point with a clean and a dirty filter, suction, verdict."""
    of, ducting = report.system.units, report.system.ducting
    filters = (
        {"clean ": ducting.clean, "dirty ": ducting.dirty}
        if ducting.clean is not ducting.dirty
        else {"": ducting.clean}
    )
    heads = [head for each in filters for head in (f"{each}{of.flow_word}", f"fan {of.pressure_word}", "suction")]
    table = [["open", *heads, "verdict"]]
    views = report.views if full or len(report.views) <= MOST_SETS else _told(report.views)
    for view in views:
        gates, answers = view.assessment.gates, (view.assessment.clean, view.assessment.dirty)
        points = [_point(report.system, *each, gates) for each in zip(filters.values(), answers, strict=False)]
        name = ", ".join(sorted(gates)) or "(no gate)"
        if gates == report.system.gates and len(gates) > MOST_NAMED:  # one row does not make all others wide
            name = f"all {named(len(gates), 'gate')}"
        if sum(other.assessment.gates == gates for other in report.views) > 1:  # same gates, dust at another hood
            name += f" ({air_words.askers(view.asked) or 'all of them'})"
        table.append([name, *(cell for point in points for cell in point), _verdict(view, report.system)])
    yield from columns(table)
    if left := [view for view in report.views if view not in views]:
        fails, close = (sum(1 for v in left if getattr(v.assessment, each)) for each in ("fails", "shorts"))
        rest = f"{len(left) - close} well, {close - fails} too close to call, {fails} short or not known"
        yield f"and {named(len(left), 'more set')} of several at once: {rest}; --full shows all"


def _told(views: Sequence[AssessedSet]) -> Sequence[AssessedSet]:
    """Of many sets each by itself and that of all, and of several at once those that fall shortest."""
    several = [view for view in views if view.asked.together > 1 and view.assessment.fails]
    worst = sorted(several, key=lambda view: min(_share(short) for short in view.assessment.fails))[:MOST_SEVERAL]
    return [view for view in views if view.asked.together <= 1 or view in worst]


def _share(short: Short) -> float:
    """Found as a part of wanted; what nobody knows comes first."""
    return short.share if short.wanted else 0.0


def _point(system: DuctSystem, solver: Solver, answer: SolveResult, gates: frozenset[str]) -> list[str]:
    say = system.say
    if not isinstance(answer, Solution):
        return [air_words.over(answer, say), "?", "?"]
    off = spread(solver, gates, answer, system.ducting.ignorance)
    root = system.ducting.network.root.name
    pressures = [say.pressure(p, word=False) for p in (answer.pressure, system.ducting.suction(answer))]
    return [say.give(answer.flow, off.flows[root], say.bare_flow), *pressures]


def _verdict(view: AssessedSet, system: DuctSystem) -> str:
    verdict = air_words.verdict(view.assessment, system.say)
    if view.is_asked:
        return verdict
    return f"{verdict} ({'all at once' if system.max_open is None else 'not asked for: max_open'})"


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
    if suctions := [*_suctions(system, view)]:
        yield f"  suction at the collector's inlet: {', '.join(suctions)}"
    lines = air_words.shortfalls(view.assessment, system.collector, system.say, view.helped, whole=False)
    yield from (f"  -> {line}" for line in lines)


def _suctions(system: DuctSystem, view: AssessedSet) -> Iterator[str]:
    """What a gauge there reads: such as "8.90 ± 0.61 in.w.g.", "8.07 ± 0.60 with a dirty filter"."""
    ducting, say, one = system.ducting, system.say, view.assessment
    answers = [(ducting.clean, one.clean), (ducting.dirty, one.dirty)][: 1 if ducting.dirty is ducting.clean else 2]
    for number, (solver, answer) in enumerate(answers):
        if isinstance(answer, Solution):
            off = spread(solver, one.gates, answer, ducting.ignorance).suction
            found = say.give(ducting.suction(answer), off, say.bare_pressure)
            yield f"{found} {system.units.pressure_word}" if number == 0 else f"{found} with a dirty filter"


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
        "known_to": {r.system.collector: asdict(r.system.ducting.ignorance) for r in reports},
        "room": [one for r in reports for one in room_as_json(r.system)],
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
