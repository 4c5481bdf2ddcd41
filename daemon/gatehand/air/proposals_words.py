"""What `airflow` proposes: one whole of values for the config, and changes of ducts; in words, as TOML, for programs.

In words at most 30 lines for any shop; the rest is in the JSON.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from gatehand.air import air_words
from gatehand.air.air_words import Speaker
from gatehand.air.analysis import Proposals, Report
from gatehand.text import named
from gatehand_air.ducting import Lack, Short
from gatehand_air.gate_sets import Asker, GateDemand
from gatehand_air.resize import Change
from gatehand_air.run_on import LeastRunOn
from gatehand_air.told import Alone
from gatehand_air.wholes import Bad

MOST_LINES: Final = 30
"""For all collectors together."""
MOST_ASSISTS: Final = 4
MOST_LEFT: Final = 3
MOST_NAMES: Final = 5
TOML_LEAST: Final = 6
"""Lines kept for the TOML, unless so many collectors share the lines that there is room for words only."""


def lines(report: Report, of: int = 1) -> Iterator[str]:
    """What is proposed, what it cures and what it leaves, then the TOML. `of`: so many collectors share the lines."""
    room = max(MOST_LINES // of, 1)
    words = [*_whole(report), *_sizes(report)]
    toml = [line for line in as_toml(report).splitlines() if line and room > TOML_LEAST + 1]
    for_words = room - (min(len(toml) + 1, TOML_LEAST) if toml else 0)
    yield from _cut(words, for_words)
    if toml:
        yield "as TOML:"
        yield from _cut([f"  {line}" for line in toml], room - 1 - min(len(words), for_words))


def _cut(some: Sequence[str], room: int) -> Sequence[str]:
    if len(some) <= room:
        return some
    return [*some[: max(room - 1, 0)], f"  ... and {len(some) - max(room - 1, 0)} more lines: airflow --json has all"]


def _whole(report: Report) -> Iterator[str]:
    """The values that belong together."""
    found, say = report.proposals, report.system.say
    yield "what the config should say, worked out with a dirty filter; take all of it or none:"
    if found.cure.none_served:
        yield "  no hood gets the air wanted, even alone"
    parts = [*_limit(report), *_assists(report), *_run_on(report)]
    yield from parts or [f"  what it says already: {_no_other(report)}"]
    yield from _left(report, say)
    yield from _unknown(report, say)


def _no_other(report: Report) -> str:
    cure = report.proposals.cure
    if not report.system.demands:
        return "no tool and no button asks for a gate"
    if cure.left or cure.left_sets:
        return "no other max_open, assist or run_on helps"
    return "nothing falls short as far as the fan's curve reaches" if cure.unknown else "nothing falls short"


def _limit(report: Report) -> Iterator[str]:
    cure, say = report.proposals.cure, report.system.say
    before, after = cure.kept.max_open, cure.whole.max_open
    if not cure.limits:
        return
    instead = "instead of none" if before is None else f"instead of {before}"
    if before is None or (after is not None and after < before):
        more = len(cure.cured_sets) - 1
        also = f"; {_sets_fall(more, 'more set', part=cure.more)} short" if more > 0 else ""
        why = f": {_bad(report, cure.cured_sets[0], say)}{also}" if cure.cured_sets else ""
        yield f"  max_open = {after} {instead}{why}"
    else:
        yield f"  max_open = {after} {instead}: room for the assist gates"


def _bad(report: Report, bad: Bad, say: Speaker) -> str:
    return air_words.air_sentence(bad.case.gates, bad.shorts[0], report.system.collector, say)


def _assists(report: Report) -> Iterator[str]:
    """Tools with one assist go together."""
    cure = report.proposals.cure
    alike: dict[tuple[str, ...], list[str]] = {}
    for tool in cure.changed:
        alike.setdefault(cure.whole.assists[tool], []).append(tool)
    groups = list(alike.items())
    for gates, tools in groups[: MOST_ASSISTS if len(groups) <= MOST_ASSISTS else MOST_ASSISTS - 1]:
        yield f"  {_few(tools, 'tool')}: assist = {air_words.toml_list(gates)}{_brings(report, tools, gates)}"
    if len(groups) > MOST_ASSISTS:
        rest = [tool for _, tools in groups[MOST_ASSISTS - 1 :] for tool in tools]
        yield f"  {_few(rest, 'tool')}: further assist gates, in the TOML"


def _brings(report: Report, tools: Sequence[str], gates: Sequence[str]) -> str:
    """What an assist does, and whose gate it opens."""
    say, gains = report.system.say, report.proposals.gains
    cured = [(tool, gains[tool]) for tool in tools if tool in gains]
    text = " leaves fewer sets of gates short"
    if cured:
        tool, gain = min(cured, key=lambda pair: (pair[1].close is None, pair[1].speed))
        with_whom = f" with {tool}" if len(tools) > 1 else ""
        if gain.short.lack is Lack.SLOW_DUCT:
            before = say.velocity(gain.short.found, word=False)
            text = f" raises {gain.short.where} from {before} to {say.velocity(gain.speed)}{with_whom}"
        else:
            text = f" gives the hood at {say.hood(gain.short.where)} the air wanted{with_whom}"
        text += f"; {_thing(gain.close, say)} is too close to call then" if gain.close is not None else ""
    whose = [f"{gate} (the gate of {_few(owners)})" for gate in gates if (owners := _owners(report, gate))]
    if whose:
        text += f"; opens {air_words.names(whose)} as well, and draws in what lies there"
    return text


def _thing(short: Short, say: Speaker) -> str:
    return f"the hood at {say.hood(short.where)}" if short.lack is Lack.HOOD_FLOW else f"the speed in {short.where}"


def _owners(report: Report, gate: str) -> list[str]:
    return [d.name for d in report.system.demands if d.asker is Asker.TOOL and gate in d.gates]


def _run_on(report: Report) -> Iterator[str]:
    """One line for all tools whose run-on is too short."""
    longer = _longer(report)
    if not longer:
        return
    shown = [f"{one.tool} {one.least:g} s ({report.run_ons[one.tool]:g} is set)" for one in longer[:MOST_NAMES]]
    more = f" and {named(len(longer) - MOST_NAMES, 'more tool')}" if len(longer) > MOST_NAMES else ""
    first = max(longer, key=lambda one: one.wanted)
    yield f"  run_on at least: {', '.join(shown)}{more}; {first.tool}: {_sum(first)}"


def _longer(report: Report) -> list[LeastRunOn]:
    """The tools whose run-on is too short with the whole."""
    return [one for one in report.proposals.run_ons if report.run_ons[one.tool] < one.wanted]


def _sum(one: LeastRunOn, *, short: bool = False) -> str:
    """Where a run-on comes from; `short`: for a line of a file."""
    spins = f"{one.spin_down:g} s spin-down and " if one.spin_down else ""
    settles = "; sawdust settles on the way, and no run-on helps that" if one.settles else ""
    slowest = (
        air_words.opened(one.gates) if len(one.gates) <= MOST_NAMES else f"with {named(len(one.gates), 'gate')} open"
    )
    if short:
        return f"{spins}twice the {one.clearing:.1f} s to the collector and 1 s"
    clears = f"dust takes up to {one.clearing:.1f} s to the collector {slowest}"
    return f"{clears}, so {spins}twice that and 1 s, in whole seconds{settles}"


def _left(report: Report, say: Speaker) -> Iterator[str]:
    """What still falls short."""
    cure = report.proposals.cure
    alike: dict[tuple[frozenset[str], tuple[Any, ...]], list[Alone]] = {}
    for one in cure.left:
        alike.setdefault((one.gates, one.shorts), []).append(one)
    groups = list(alike.values())
    for group in groups[:MOST_LEFT]:
        sentence = air_words.air_sentence(group[0].gates, group[0].worst, report.system.collector, say)
        others = len(group[0].shorts) - 1
        more = f", and {named(others, 'more shortfall')}" if others else ""
        yield f"  {_still([air_words.asker(one.demand) for one in group])} short: {sentence}{more}"
    if len(groups) > MOST_LEFT:
        rest = [air_words.asker(one.demand) for group in groups[MOST_LEFT:] for one in group]
        yield f"  {_still(rest)} short"
    if cure.left_sets:
        many = _sets_fall(len(cure.left_sets), "set", part=cure.more, still=True)
        yield f"  {many} short: {_bad(report, cure.left_sets[0], say)}"


def _still(some: Sequence[str]) -> str:
    return f"{_few(some)} still {'falls' if len(some) == 1 else 'fall'}"


def _unknown(report: Report, say: Speaker) -> Iterator[str]:
    cure = report.proposals.cure
    if not cure.unknown:
        return
    first = cure.unknown[0]
    short = next(short for short in first.shorts if short.answer is not None)
    sentence = air_words.air_sentence(first.gates, short, report.system.collector, say)
    yield f"  unknown for {_few([air_words.asker(one.demand) for one in cure.unknown])}: {sentence}"


def _sizes(report: Report) -> Iterator[str]:
    """The single change of the ducts that cures most, two others, and what none cures."""
    found, say = report.proposals.sizes, report.system.say
    if found.best:
        yield "or make one stretch of duct another size, and leave the rest of the config as it is:"
        yield f"  {_change(found.best[0], say, whole=found.whole)}"
        yield from (f"  or {_change(change, say)}" for change in found.best[1:])
    if found.uncured:
        helps = "no other size of one stretch of duct helps"
        yield f"{'  ' if found.best else ''}{helps} {_few([air_words.asker(demand) for demand in found.uncured])}"


def _change(change: Change, say: Speaker, *, whole: bool = False) -> str:
    what = f"{_few(change.ducts)} at {say.diameter(change.diameter)}"
    some = "all that falls short alone: " if whole else ""
    cures = [f"{some}{_few([air_words.asker(demand) for demand in change.cures])}"] if change.cures else []
    cures += [_together(change.cures_sets)] if change.cures_sets else []
    harms = [_few([air_words.asker(demand) for demand in change.spoils])] if change.spoils else []
    harms += [_together(change.spoils_sets)] if change.spoils_sets else []
    but = f"; but {' and '.join(harms)} would fall short then" if harms else ""
    fixes = "fixes" if len(change.ducts) == 1 else "fix"
    return f"{what} {fixes} {' and '.join(cures)}{but}"


def _together(sets: Sequence[frozenset[str]]) -> str:
    """Such as "2 sets of gates (band_saw with planing; router with sweep)"."""
    shown = "; ".join(" with ".join(sorted(gates)) for gates in sets[:2])
    return f"{named(len(sets), 'set')} of gates ({shown}{'; ...' if len(sets) > 2 else ''})"  # noqa: PLR2004


def _few(some: Sequence[str], what: str = "") -> str:
    """The first names, and how many more: "tools a, b and 7 more"."""
    word = f"{what}{'s' if len(some) > 1 else ''} " if what else ""
    if len(some) <= MOST_NAMES:
        return word + air_words.names(some)
    return f"{word}{', '.join(sorted(some)[: MOST_NAMES - 1])} and {len(some) - MOST_NAMES + 1} more"


def _sets_fall(number: int, what: str, *, part: bool, still: bool = False) -> str:
    """`part`: not all were counted."""
    one = number == 1 and not part
    fall = f"{'still ' if still else ''}{'falls' if one else 'fall'}"
    return f"{'at least ' if part else ''}{named(number, what)} of gates {fall}"


def as_toml(report: Report) -> str:
    """Tables and keys to put into the config, each with its reason; only what changes, each key once."""
    tables: dict[str, list[str]] = {}
    cure, say = report.proposals.cure, report.system.say
    if cure.limits:
        set_to = "none is set" if cure.kept.max_open is None else f"{cure.kept.max_open} is set"
        why = f"; {_bad(report, cure.cured_sets[0], say)}" if cure.cured_sets else ""
        tables[f"collector.{report.system.collector}"] = [f"max_open = {cure.whole.max_open}  # {set_to}{why}"]
    for tool in cure.changed:
        gates = cure.whole.assists[tool]
        why = _brings(report, [tool], gates).strip()
        tables.setdefault(f"tool.{tool}", []).append(f"assist = {air_words.toml_list(gates)}  # {why}")
    for one in _longer(report):
        set_to = f"{report.run_ons[one.tool]:g} is set"
        tables.setdefault(f"tool.{one.tool}", []).append(f"run_on = {one.least:g}  # {set_to}; {_sum(one, short=True)}")
    return "\n".join("\n".join([f"[{name}]", *keys, ""]) for name, keys in tables.items())


def as_json(reports: Sequence[Report]) -> dict[str, Any]:
    """All proposals, for programs: `max_open` and `run_on` with the whole, `assist` where it changes."""
    return {
        "max_open": {r.system.collector: r.proposals.cure.whole.max_open for r in reports},
        "assist": {tool: list(gates) for r in reports for tool, gates in _changed(r.proposals).items()},
        "run_on": {one.tool: one.least for r in reports for one in r.proposals.run_ons},
        "cures": [one for report in reports for one in _json_cures(report)],
        "leaves": [one for report in reports for one in _json_leaves(report)],
        "unknown": [_json_alone(report, one) for report in reports for one in report.proposals.cure.unknown],
        "sizes": [_json_size(report, change) for report in reports for change in report.proposals.sizes.best],
        "no_size_cures": [air_words.asker(demand) for r in reports for demand in r.proposals.sizes.uncured],
        "toml": "\n".join(text for report in reports if (text := as_toml(report))),
    }


def _changed(found: Proposals) -> Mapping[str, tuple[str, ...]]:
    return {tool: found.cure.whole.assists[tool] for tool in found.cure.changed}


def _json_cures(report: Report) -> Iterator[dict[str, Any]]:
    """What falls short as configured and not with the whole: its gates and sentences as configured."""
    cure = report.proposals.cure
    yield from (_json_alone(report, one) for one in cure.cured)
    yield from (_json_bad(report, bad) for bad in cure.cured_sets)


def _json_leaves(report: Report) -> Iterator[dict[str, Any]]:
    """What falls short with the whole."""
    cure = report.proposals.cure
    yield from (_json_alone(report, one) for one in cure.left)
    yield from (_json_bad(report, bad) for bad in cure.left_sets)


def _json_alone(report: Report, one: Alone) -> dict[str, Any]:
    collector, say = report.system.collector, report.system.say
    short = [air_words.air_sentence(None, short, collector, say) for short in one.shorts]
    return {"for": _asking([one.demand]), "collector": collector, "open": sorted(one.gates), "short": short}


def _json_bad(report: Report, bad: Bad) -> dict[str, Any]:
    collector, say = report.system.collector, report.system.say
    short = [air_words.air_sentence(None, short, collector, say) for short in bad.shorts]
    return {"for": _asking(bad.together), "collector": collector, "open": sorted(bad.case.gates), "short": short}


def _asking(demands: Sequence[GateDemand]) -> list[str]:
    return [air_words.asker(demand) for demand in demands]


def _json_size(report: Report, change: Change) -> dict[str, Any]:
    diameter = air_words.significant(change.diameter / report.system.units.diameter, 6)
    return {
        "collector": report.system.collector,
        "ducts": list(change.ducts),
        "diameter": diameter,
        "cures": _asking(change.cures),
        "costs": _asking(change.spoils),
        "cures_sets": [sorted(gates) for gates in change.cures_sets],
        "costs_sets": [sorted(gates) for gates in change.spoils_sets],
    }
