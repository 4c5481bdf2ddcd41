"""The report for people: all sets in one table, sets in full, what falls short, proposals, what is left out."""

from collections.abc import Iterator, Sequence
from typing import Final

from gatehand.air import toml, words
from gatehand.air.build import Shop
from gatehand.air.look import Report, View
from gatehand_air.ducting import Lack, Short
from gatehand_air.proposals import Assist, MaxOpen, RunOn, Size
from gatehand_air.solve import Answer, Solution

LEFT_OUT: Final = """\
What these figures leave out: leaks at joints, the bends of a hose and a hose that is not stretched, what a bend right
before the fan's inlet costs, dust that a hood lets escape. Branch entries are constant factors on the branch's velocity
pressure. Figures marked [memory] or [practice] have no published source behind them.
Measure: an anemometer or a pitot tube shows what the air really does; then give the readings with --measured.
Opinions on gating differ: one public works standard sizes ducts for all hoods open and uses gates only to balance.
British and German guides design for the machines used together and want air speeds measured again when gate control
changes; this report follows them.
Fine wood dust harms, and it can burn and explode. Local rules come first; beyond a hobby shop ask someone competent."""


def text(reports: Sequence[Report], *, full: bool) -> str:
    """Everything that the command prints. `full`: each set in full, also where nothing falls short."""
    lines = [line for report in reports for line in _report(report, full=full)]
    return "\n".join([*lines, LEFT_OUT])


def columns(rows: Sequence[Sequence[str]], indent: str = "") -> Iterator[str]:
    """Rows as aligned columns: the first and the last flush left, those between flush right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for first, *between, last in rows:
        cells = [cell.rjust(width) for cell, width in zip(between, widths[1:], strict=False)]
        yield indent + "  ".join([first.ljust(widths[0]), *cells, last]).rstrip()


def _report(report: Report, *, full: bool) -> Iterator[str]:
    shop = report.shop
    say = words.Speaker(shop.units)
    wanted = f"{say.velocity(shop.ducting.branch_velocity)} in branches"
    if shop.ducting.network.mains():
        wanted += f", {say.velocity(shop.ducting.main_velocity, word=False)} in what carries all"
    yield f"collector {shop.collector}: wanted are {wanted}; air of {shop.ducting.air.density:.3f} kg/m3"
    yield from (f"  {hood} wants {say.flow(want.flow)} ({want.why})" for hood, want in shop.wants.items())
    yield ""
    yield from _summary(report)
    for view in report.views:
        if full or view.picture.shorts:
            yield ""
            yield from _set(shop, view)
    yield ""
    yield from _proposals(report)
    yield ""


def _summary(report: Report) -> Iterator[str]:
    """One line for each set: the fan's working point with a clean and a dirty filter, suction, verdict."""
    of = report.shop.units
    head = ["open", of.flow_word, of.pressure_word, "suction", of.flow_word, of.pressure_word, "suction", "verdict"]
    yield from columns(
        [
            ["", "clean", "filter", "", "dirty", "filter", "", ""],
            head,
            *(
                [
                    ", ".join(sorted(view.picture.gates)) or "(none)",
                    *_point(report.shop, view.picture.clean),
                    *_point(report.shop, view.picture.dirty),
                    _verdict(view),
                ]
                for view in report.views
            ),
        ]
    )


def _point(shop: Shop, answer: Answer) -> list[str]:
    if not isinstance(answer, Solution):
        return ["?", "?", "?"]
    say = words.Speaker(shop.units)
    pressures = [say.pressure(p, word=False) for p in (answer.pressure, shop.ducting.suction(answer))]
    return [say.flow(answer.flow, word=False), *pressures]


def _verdict(view: View) -> str:
    shorts = view.picture.shorts
    if any(short.lack is Lack.NO_ANSWER for short in shorts):
        verdict = "no answer"
    elif any(short.settles for short in shorts):
        verdict = "sawdust settles"
    elif shorts:
        verdict = "short" if not all(short.dirty for short in shorts) else "short with a dirty filter"
    else:
        verdict = "well"
    return verdict if view.is_asked else f"{verdict} (not asked for: max_open)"


def _set(shop: Shop, view: View) -> Iterator[str]:
    """One set in full: every hood against its flow, every duct against its velocity, sentences."""
    say = words.Speaker(shop.units)
    who = words.askers(view.asked) or ("beyond max_open, shown for comparison" if not view.is_asked else "")
    yield f"{words.opened(view.picture.gates)}{f' ({who})' if who else ''}"
    if isinstance(view.picture.clean, Solution):
        rows = [["", shop.units.flow_word, shop.units.velocity_word, "wanted", "dirty filter", ""], *_ducts(shop, view)]
        yield from columns(rows, "  ")
    lines = words.shortfalls(view.picture, shop.collector, say, view.helped, whole=False)
    yield from (f"  -> {line}" for line in lines)


def _ducts(shop: Shop, view: View) -> Iterator[list[str]]:
    """Every duct with air in it, from the hoods to the fan; a hood's flow in a line of its own."""
    clean, dirty = view.picture.clean, view.picture.dirty
    if not isinstance(clean, Solution):
        return
    say, ducting = words.Speaker(shop.units), shop.ducting
    speeds = ducting.velocities(clean)
    later = ducting.velocities(dirty) if isinstance(dirty, Solution) else {}
    flows_later = dirty.flows if isinstance(dirty, Solution) else {}
    short = {(s.lack, s.where): s for s in view.picture.shorts}
    dusty = {
        duct
        for end in ducting.network.ends
        for duct in ducting.ways[end.name]
        if end.gate in (None, *view.picture.dusty)
    }
    for name, flow in clean.flows.items():
        duct = ducting.network.duct(name)
        if duct.entry is not None:
            want = shop.wants.get(duct.hood)
            dirty_flow = say.flow(flows_later[name], word=False) if name in flows_later else "?"
            wanted = say.flow(want.flow, word=False) if want is not None else "-"
            note = _note(short.get((Lack.HOOD_FLOW, duct.hood)))
            yield [f"hood {duct.hood}", say.flow(flow, word=False), "", wanted, dirty_flow, note]
        slow = _note(short.get((Lack.SLOW_DUCT, name)))
        wanted = say.velocity(ducting.wanted[name], word=False) if name in dusty else "clean air"
        dirty_speed = say.velocity(later[name], word=False) if name in later else "?"
        size = f"duct {name}, {say.diameter(duct.diameter)}"
        yield [size, say.flow(flow, word=False), say.velocity(speeds[name], word=False), wanted, dirty_speed, slow]


def _note(short: Short | None) -> str:
    if short is None:
        return ""
    what = "sawdust settles" if short.settles else "slow" if short.lack is Lack.SLOW_DUCT else "short"
    return f"{what} with a dirty filter" if short.dirty else what


def _proposals(report: Report) -> Iterator[str]:
    """What the ducts ask of the config, in words, then as TOML."""
    found = report.proposals
    say = words.Speaker(report.shop.units)
    yield "what the ducts ask for, with a dirty filter:"
    yield f"  {_carries(found.max_open, report, say)}"
    yield from (f"  tool {tool}: {_assist(help_, say)}" for tool, help_ in found.assists.items())
    yield from (f"  {_run_on(one)}" for one in found.run_ons)
    yield from (f"  {_size(one, say)}" for one in found.sizes)
    if proposed := toml.proposals(report):
        yield ""
        yield "as TOML:"
        yield from (f"  {line}".rstrip() for line in proposed.splitlines())


def _carries(carries: MaxOpen, report: Report, say: words.Speaker) -> str:
    left_out = f" ({words.names(carries.unserved)} fall short even alone and do not count)" if carries.unserved else ""
    if carries.gates is None:
        return f"no hood gets what it wants even alone{left_out}"
    if carries.fails is not None:
        why = words.too_many(carries, report.shop.collector, say)
        return f"the fan carries {carries.gates} open at once{left_out}: {why}"
    many = "more sets than are looked through" if carries.cut_off else "all of them"
    return f"the fan carries {carries.gates} open at once, {many}{left_out}"


def _assist(help_: Assist, say: words.Speaker) -> str:
    """Which gates to open with a tool's own, or which come nearest."""
    gain = f"{say.velocity(help_.speed)} instead of {say.velocity(help_.slow.found, word=False)} in {help_.slow.where}"
    if help_.cures:
        return f"opening {words.names(help_.gates)} as well brings {gain}"
    return f"no further gates cure it; {words.names(help_.gates)} come nearest with {gain}"


def _run_on(one: RunOn) -> str:
    clears = f"{one.clearing:.1f} s to clear, twice, and 1 s"
    spins = f"{one.spin_down:g} s spin-down, " if one.spin_down else "no spin_down given, "
    settles = "; sawdust settles on its way, which no run-on cures" if one.settles else ""
    return f"tool {one.tool}: run_on {one.least:g} s at least ({spins}{clears}{settles})"


def _size(size: Size, say: words.Speaker) -> str:
    """Which duct limits, and what another size brings."""
    put = say.flow if size.short.lack is Lack.HOOD_FLOW else say.velocity
    what = f"{words.names(size.ducts)} in {say.diameter(size.diameter)}"
    gain = f"{put(size.brings)} instead of {put(size.short.found, word=False)} at {size.short.where}"
    enough = "" if size.enough else f", still short of {put(size.short.wanted, word=False)}"
    costs = f"; but {words.sets(size.costs)} would fall short then" if size.costs else ""
    return f"{words.asker(size.demand)}: {what} brings {gain}{enough}{costs}"
