"""What `airflow --size` prints: diameters, what the fan has to give, what does not hold, the bill of parts, tables."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from gatehand.air import air_words
from gatehand.air.air_words import Speaker, names
from gatehand.air.sizing_job import OWN, Job
from gatehand.air.sizing_toml import as_toml, tables, with_fan
from gatehand.terminal import columns
from gatehand.text import listed, named
from gatehand_air.fan_need import Asked, Need
from gatehand_air.fittings import DUSTS, FITTINGS, MATERIALS, by_port
from gatehand_air.friction import area
from gatehand_air.layout import SAME, Kind, Part, Reducer, bill
from gatehand_air.properties import STANDARD
from gatehand_air.sizing import FASTEST, Cure, Fast, Sized

CAUTIONS: Final = """\
Left out: leaks, bends of a hose, one that is not stretched, a bend right before the fan, what a machine loses inside.
Measure once it is up: an anemometer or a pitot tube shows what the air really does; give the readings with --measured.
Moving dust charges a duct, plastic most of all: bond and earth it. Fine wood dust harms, and it can burn and explode.
Local rules come first; beyond a hobby shop ask someone competent."""
ADVISED: Final = "DGUV 209-044 [pub]"
DENSITY_MATTERS: Final = 0.01
MOST_SHOWN: Final = 12
MOST_GIVEN: Final = 5000.0
"""Pa: hardly a collector of a small shop gives more (common practice, no published source)."""
MOST_TOLD: Final = 4
"""Remarks of one kind; programs get all."""
FEW: Final = 3
"""Names in a row."""
_PLURAL: Final = {
    Kind.DUCT: "straight duct",
    Kind.HOSE: "hose",
    Kind.ELBOW: "elbows",
    Kind.WYE: "wyes (main x main x branch)",
    Kind.REDUCER: "tapered reducers",
    Kind.GATE: "blade gates",
    Kind.CAP: "caps",
    Kind.OTHER: "other",
}


class Answer:
    """A job, its sizes, and how the fan that is there does with them."""

    def __init__(self, job: Job, sized: Sized) -> None:
        self.job = job
        self.sized = sized
        self.say = Speaker(job.units, {hood: run for run, hood in sized.laid.hoods.items()})
        self.checked = with_fan(job, sized)

    @property
    def holds(self) -> bool:
        """Whether the fan that is there does not fall short; true without one."""
        return not any(each.fails for each in self.checked)


def as_text(answers: Sequence[Answer]) -> Iterator[tuple[str, bool]]:
    """Everything for a person, in parts; with each whether it is TOML, whose lines stay whole to be copied."""
    for answer in answers:
        yield "\n".join(_before(answer)), False
        yield "\n".join(as_toml(answer.job, answer.sized)), True
        yield _sources(answer), False
    yield CAUTIONS, False


def _before(answer: Answer) -> Iterator[str]:
    """All that comes before the tables."""
    yield from _asked(answer)
    yield from _ducts(answer)
    yield ""
    yield from _fan(answer)
    if remarks := [*_remarks(answer)]:
        yield ""
        yield from (f"-> {line}" for line in remarks)
    yield ""
    yield "parts:"
    yield from (f"  {line}" for line in _parts(answer))
    yield ""
    yield "for the config:" if not answer.job.config.duct else "for the config, in place of its [duct.NAME] tables:"


def _asked(answer: Answer) -> Iterator[str]:
    """What is asked in all."""
    plan, say = answer.job.plan, answer.say
    most = max(len(asked.who) for asked in plan.asked)
    how = "one tool at a time" if most == 1 else f"up to {most} tools at once"
    speeds = (
        f"{say.velocity(plan.branch_velocity)} in branches, {say.velocity(plan.main_velocity, word=False)} in the main"
    )
    yield f"sized for {how}; {speeds}; air of {plan.air.density:.3f} kg/m3"


def _who(asked: Asked) -> str:
    """Such as "router", "router + sweep" where sweep assists, "table_saw with sweep"."""
    return " + ".join([" with ".join(asked.who), *sorted(asked.assist)])


def _ducts(answer: Answer) -> Iterator[str]:
    """One line for each run: its size, how slow its air gets, of what its dust wants, and where it carries most."""
    say, of = answer.say, answer.job.units
    flow, speed = of.flow_word, of.velocity_word
    slow = f"slowest {speed}", f"wanted {speed}"
    most = f"most {flow}", f"then {speed}", f"loses {of.pressure_word}", "with"
    rows = [["duct", "size", _length_word(answer), f"wanted {flow}", *slow, *most]]
    for run in answer.sized.laid.runs:
        size = say.diameter(answer.sized.laid.sizes[run.name])
        length = f"{(run.length + run.hose) / of.length:.4g}"
        wants = "-" if run.opening is None else say.flow(run.opening.flow, word=False)
        rows.append([run.name, size, length, wants, *_slowest(answer, run.name), *_most(answer, run.name)])
    yield from columns(rows)


def _slowest(answer: Answer, run: str) -> list[str]:
    """The least velocity in a run beside what is wanted, of the sets whose dust passes it."""
    across = area(answer.sized.laid.sizes[run])
    pairs = [(need.flows[run] / across, need.wanted[run]) for need in answer.sized.needs if run in need.wanted]
    if not pairs:
        return ["-", "-"]
    return [answer.say.velocity(each, word=False) for each in min(pairs, key=lambda pair: pair[0] / pair[1])]


def _most(answer: Answer, run: str) -> list[str]:
    """The most flow that a run carries, its velocity there, what the run loses, and with whom."""
    laid, say = answer.sized.laid, answer.say
    there = [need for need in answer.sized.needs if run in need.flows]
    if not there:
        return ["-", "-", "-", "-"]
    most = max(there, key=lambda need: need.flows[run])
    lost = sum(loss for name, loss in most.losses.items() if laid.by_name[name].run == run)
    speed = most.flows[run] / area(laid.sizes[run])
    shown = say.flow(most.flows[run], word=False), say.velocity(speed, word=False), say.pressure(lost, word=False)
    return [*shown, _who(most.asked)]


def _fan(answer: Answer) -> Iterator[str]:
    """What each set asks of the fan, and what a fan to be bought must give."""
    sized, say, of = answer.sized, answer.say, answer.job.units
    filtered = answer.job.plan.dirty.factor > 0
    with_ = f"fan needed ({of.flow_word}, {of.pressure_word})"
    filter_ = ("filter clean", "dirty") if filtered else ()
    rows = [[with_, "flow", "ducts", *filter_, "fan static", "up to", "static at the inlet", "sets it"]]
    shown_needs = _shown(sized.needs)
    for need in shown_needs:
        lost = (need.clean, need.dirty) if filtered else ()
        cells = (need.ducts, *lost, need.pressure, need.most, need.suction)
        shown = [say.pressure(each, word=False) for each in cells]
        rows.append([_who(need.asked), say.flow(need.flow, word=False), *shown, need.hardest])
    yield from columns(rows)
    if left := len(sized.needs) - len(shown_needs):
        yield f"  and {named(left, 'set')} more, none of which asks for more pressure; --json has all"
    thin = answer.job.plan.air.density / STANDARD.density
    points = [f"{say.flow(n.flow)} at {say.pressure(n.most / thin)}" for n in _edge(sized.needs)]
    here = " (it is drawn for standard air)" if abs(thin - 1) > DENSITY_MATTERS else ""
    hard = f"{say.pressure(sized.hardest.pressure, word=False)} ± {say.pressure(sized.hardest.half)}"
    above = listed(points, last="and")
    yield f"Look for a fan whose curve{here} passes above {above} ({_who(sized.hardest.asked)}: {hard})"
    if sized.hardest.most > MOST_GIVEN:
        about = "20 in.w.g." if of.name == "us" else say.pressure(MOST_GIVEN)
        most = f"hardly any small shop's collector gives over {about} [practice]"
        yield f"  {most}: take wider ducts, shorter runs, or fewer tools at once"
    if not filtered:
        yield "  no filter is counted in: add what its maker says it loses when it is dirty"
    told = [*_checked(answer)]
    yield from (f"  your fan: {line}" for line in told[:MOST_SHOWN])
    if left := len(told[MOST_SHOWN:]):
        yield f"  and {named(left, 'line')} more of that kind; --json has all"


def _shown(needs: Sequence[Need]) -> list[Need]:
    """All, or of many those that ask for most, in the order given."""
    most = {need.asked for need in sorted(needs, key=lambda need: need.most)[-MOST_SHOWN:]}
    return [need for need in needs if need.asked in most]


def _edge(needs: Sequence[Need]) -> list[Need]:
    """The sets that no other outdoes in both flow and pressure, by flow."""
    found: list[Need] = []
    for need in sorted(needs, key=lambda need: (need.flow, need.most), reverse=True):
        if all(need.most > other.most * (1 + 1e-6) for other in found):
            found.append(need)
    return found[::-1]


def _checked(answer: Answer) -> Iterator[str]:
    """How the fan that is there does: where all is well or too close to call in one line, else by what is worst."""
    by_verdict: dict[str, list[str]] = {}
    by_worst: dict[str, list[str]] = {}
    for need, assessment in zip(answer.sized.needs, answer.checked, strict=False):
        if not assessment.fails:
            verdict = "too close to call" if assessment.shorts else "well"
            by_verdict.setdefault(verdict, []).append(_who(need.asked))
            continue
        worst = min(assessment.fails, key=lambda short: short.share if short.wanted else 0.0)
        text = air_words.air_sentence(None, worst, answer.job.collector, answer.say)
        if not answer.job.config.duct:  # in a file of runs the fan has no name
            text = text.replace(f"[fan.{answer.job.collector}]", "[fan]")
        by_worst.setdefault(text, []).append(_who(need.asked))
    yield from (f"{'; '.join(who)}: {verdict}" for verdict, who in by_verdict.items())
    yield from (f"{'; '.join(who)}: {text}" for text, who in by_worst.items())


def _remarks(answer: Answer, most: int | None = MOST_TOLD) -> Iterator[str]:
    """What does not hold by itself, what helps, and what was done; of each kind so many at most."""
    sized, say = answer.sized, answer.say
    alone = {(one.asked.who[0], one.run) for one in sized.slow if len(one.asked.who) == 1}
    cures = [cure for cure in sorted(sized.cures, key=lambda cure: cure.slow.share) if not _is_told(cure, alone)]
    yield from (_cure(answer, cure) for cure in cures[:most])
    if left := len(cures[len(cures) if most is None else most :]):
        yield f"{named(left, 'set')} more of that kind, each less slow; --json has all"
    other = sized.narrower
    if other is not None and (most is None or other.need.most <= max(MOST_GIVEN, sized.hardest.most)):
        slow = {one.run for one in sized.slow}
        by_size: dict[str, list[str]] = {}
        for run, size in other.sizes.items():
            if run in slow:
                by_size.setdefault(say.diameter(size), []).append(run)
        trunks = listed([f"{_few(runs)} at {size}" for size, runs in by_size.items()], last="and")
        asks = f"{say.pressure(other.need.most)} with {_who(other.need.asked)}"
        fast = (
            "" if other.fastest is None else f", and {other.fastest.piece} runs at {say.velocity(other.fastest.found)}"
        )
        yield f"or make the trunk narrower, {trunks}, and nothing that runs into it wider: that takes {asks}{fast}"
    ports = [*_ports(answer)]
    yield from ports[:most]
    if left := len(ports[len(ports) if most is None else most :]):
        yield f"{named(left, 'port')} more, too narrow as well; --json has all"
    yield from _fast(answer, most)
    if (beyond := sized.beyond) is not None:
        asks = f"{say.flow(beyond.flow)} at {say.pressure(beyond.most)}"
        who = listed(beyond.asked.who, last="and")
        yield f"max_open = {sized.max_open} lets {who} run together too; nothing here is sized for it: it takes {asks}"


def _is_told(cure: Cure, alone: Collection[tuple[str, str]]) -> bool:
    """Whether the run is as slow with one of them alone, of whom it is told."""
    return len(cure.slow.asked.who) > 1 and any((who, cure.slow.run) in alone for who in cure.slow.asked.who)


def _few(names_: Sequence[str]) -> str:
    """The first of them, and how many more."""
    if len(names_) <= FEW:
        return listed(names_, last="and")
    return f"{', '.join(names_[: FEW - 1])} and {len(names_) - FEW + 1} more"


def _cure(answer: Answer, cure: Cure) -> str:
    """Which run would be slow, what is done about it, and what the other way would cost."""
    say, slow, need = answer.say, cure.slow, cure.need
    one = len(slow.asked.who) == 1
    runs = f"{slow.run} would run at {say.velocity(slow.found)}, not the {say.velocity(slow.wanted, word=False)} wanted"
    draws = f"the fan draws {say.flow(need.flow)} at {say.pressure(need.most)}"
    other = "" if cure.other is None else say.pressure(cure.other.most)
    if need.asked.assist:
        done = f"{names(need.asked.assist)} {'opens' if len(need.asked.assist) == 1 else 'open'} as well"
        cost = f" (more air instead takes {other})" if other else ""
    else:
        wider = [f"{run} is {say.diameter(size)} wide" for run, size in cure.wider.items()]
        done = listed(wider, last="and") if wider else f"{'it gets' if one else 'they get'} more air"
        cost = "" if cure.other is None else f" (opening {names(cure.other.asked.assist)} instead takes {other})"
    return f"{_who(slow.asked)}{' alone' if one else ''}: {runs}; so {done}, and {draws}{cost}"


def _ports(answer: Answer) -> Iterator[str]:
    """A machine's port that is too narrow for what it wants, and what such a port takes."""
    say, laid = answer.say, answer.sized.laid
    for piece in laid.pieces:
        if piece.opening is None or piece.name != f"{piece.run}_port":
            continue
        speed = piece.opening.flow / area(piece.diameter)
        if speed > FASTEST:
            port, takes = say.diameter(piece.diameter), by_port(piece.diameter)
            flow = f"{say.flow(piece.opening.flow)} at {say.velocity(speed)}"
            yield f"{piece.run}: a port of {port} is narrow for {flow}; it takes {say.flow(takes.flow)} ({takes.why})"


def _fast(answer: Answer, most: int | None) -> Iterator[str]:
    """Where a duct howls, in one line; and from which flow on the next size of a drop would carry its dust."""
    sized, say = answer.sized, answer.say
    fastest: dict[str, Fast] = {}
    for one in sized.fast:
        if one.piece not in {f"{one.run}_hose", f"{one.run}_port"} and (
            one.piece not in fastest or one.found > fastest[one.piece].found
        ):
            fastest[one.piece] = one
    alike: dict[tuple[Asked, str], list[Fast]] = {}
    for one in sorted(fastest.values(), key=lambda one: -one.found):
        alike.setdefault((one.asked, say.velocity(one.found)), []).append(one)
    shown = [*alike.items()][:most]
    if shown:
        runs = [f"{_few([f.piece for f in some])} at {v} ({_who(who)})" for (who, v), some in shown]
        left = len(fastest) - sum(len(some) for _, some in shown)
        more = [f"and {named(left, 'duct')} more, each less fast"] if left else []
        metres = "" if answer.job.units.name == "metric" else f" ({FASTEST:g} m/s)"
        limit = f"{say.velocity(FASTEST)}{metres}, the most that {ADVISED} advises"
        wider = _wider(answer, [one for _, some in shown for one in some])
        yield f"faster than {limit}: {'; '.join([*runs, *more, *wider])}"


def _wider(answer: Answer, fast: Iterable[Fast]) -> Iterator[str]:
    """From which flow on the next size of a drop that is too fast would carry its dust."""
    say, sized = answer.say, answer.sized
    for one in fast:
        if one.run in answer.job.wants:
            size = sized.laid.sizes[one.run]
            wider = next((each for each in answer.job.plan.sold if each > size * (1 + SAME)), None)
            wanted = next((n.wanted.get(one.run) for n in sized.needs if n.asked == one.asked), None)
            if wider is not None and wanted is not None:
                takes = say.flow(wanted * area(wider))
                yield f"{one.run} at {say.diameter(wider)} carries the dust from {takes} on"


def _parts(answer: Answer) -> Iterator[str]:
    """The bill, a line for each kind."""
    by_kind: dict[Kind, list[Part]] = {}
    for part in bill(answer.sized.laid, answer.job.stick):
        by_kind.setdefault(part.kind, []).append(part)
    for kind, parts in by_kind.items():
        yield f"{_PLURAL[kind]}: {', '.join(_part(answer, part) for part in parts)}"


def _part(answer: Answer, part: Part) -> str:
    of = answer.job.units
    sizes = " x ".join(f"{each / of.diameter:.4g}" for each in part.sizes)
    size = f"{sizes} {of.diameter_word}"
    if part.kind in {Kind.DUCT, Kind.HOSE}:
        length = f"{part.length / of.length:.3g} {_length_word(answer)} of {size}"
        material = "" if part.kind is Kind.HOSE else f" {part.name}"
        stick = answer.job.stick
        whole = (
            f" ({part.count} of {stick / of.length:g} {_length_word(answer)})"
            if part.count and stick is not None
            else ""
        )
        return f"{length}{material}{whole}"
    kind = "" if part.kind in {Kind.GATE, Kind.CAP, Kind.REDUCER} else f"{part.name} "
    return f"{part.count} {kind}of {size}"


def _length_word(answer: Answer) -> str:
    return "ft" if answer.job.units.name == "us" else "m"


def _sources(answer: Answer) -> str:
    """Where the figures are from; what is from memory is marked so in its own words."""
    pieces, say = answer.sized.laid.pieces, answer.say
    used = dict.fromkeys(each for piece in pieces for each in piece.fittings if isinstance(each, str))
    said = [f"{say.flow(want.flow)} at {run}: {want.why}" for run, want in answer.job.wants.items() if want.why != OWN]
    said += [f"{each}: {FITTINGS[each].source}" for each in used if each in FITTINGS]
    said += [f"{each}: {MATERIALS[each].source}" for each in dict.fromkeys(piece.material for piece in pieces)]
    said += [f"{each}: {DUSTS[each].source}" for each in dict.fromkeys(answer.job.dusts.values())]
    if any(isinstance(each, Reducer) for piece in pieces for each in piece.fittings):
        said.append("reducers: a cone of 30 degrees [practice]")
    said.append("±: loss factors known to 30 %, hood entries to 50 %, roughness by half, a filter to 30 % [practice]")
    if not answer.job.sold_said:
        said.append("sizes: those commonly sold [practice], unless a file says sold = [...]")
    return f"\nSources: {'; '.join(said)}."


def as_json(answers: Sequence[Answer], units: str) -> dict[str, Any]:
    """The same for programs. Numbers in the job's units, six digits."""
    return {"units": units, "collectors": {answer.job.collector: _json(answer) for answer in answers}}


def _json(answer: Answer) -> dict[str, Any]:
    sized, of = answer.sized, answer.job.units

    def flow(value: float) -> float:
        return air_words.significant(value / of.flow, 6)

    def pressure(value: float) -> float:
        return air_words.significant(value / of.pressure, 6)

    def need(each: Need) -> dict[str, Any]:
        return {
            "asked_by": list(each.asked.who),
            "open": sorted(each.asked.opens),
            "assist": sorted(each.asked.assist),
            "flow": flow(each.flow),
            "ducts": pressure(each.ducts),
            "filter": {"clean": pressure(each.clean), "dirty": pressure(each.dirty)},
            "pressure": pressure(each.pressure),
            "up_to": pressure(each.most),
            "suction": pressure(each.suction),
            "hardest": each.hardest,
            "velocities": _velocities(answer, each),
        }

    return {
        "sizes": {n: air_words.significant(each / of.diameter, 6) for n, each in sized.laid.sizes.items()},
        "ducts": tables(answer.job, sized),
        "needs": [need(each) for each in sized.needs],
        "beyond": None if sized.beyond is None else need(sized.beyond),
        "max_open": sized.max_open,
        "slow": [
            {
                "asked_by": list(each.asked.who),
                "duct": each.run,
                "velocity": air_words.significant(each.found / of.velocity, 6),
                "wanted": air_words.significant(each.wanted / of.velocity, 6),
            }
            for each in sized.slow
        ],
        "cures": [
            {
                "asked_by": list(each.slow.asked.who),
                "duct": each.slow.run,
                "assist": sorted(each.need.asked.assist),
                "wider": sorted(each.wider),
                "flow": flow(each.need.flow),
                "up_to": pressure(each.need.most),
            }
            for each in sized.cures
        ],
        "remarks": [*_remarks(answer, None)],
        "fan": [
            {"open": sorted(each.gates), "short": list(air_words.shortfalls(each, answer.job.collector, answer.say))}
            for each in answer.checked
        ],
        "parts": [
            {
                "kind": part.kind.value,
                "name": part.name,
                "sizes": [air_words.significant(each / of.diameter, 6) for each in part.sizes],
                "count": part.count,
                "length": air_words.significant(part.length / of.length, 6),
            }
            for part in bill(sized.laid, answer.job.stick)
        ],
        "toml": "\n".join(as_toml(answer.job, sized)),
    }


def _velocities(answer: Answer, need: Need) -> Mapping[str, float]:
    laid, of = answer.sized.laid, answer.job.units
    return {
        name: air_words.significant(flow / area(laid.by_name[name].diameter) / of.velocity, 6)
        for name, flow in need.flows.items()
    }
