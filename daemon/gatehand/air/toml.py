"""Proposals as TOML, ready to be copied into a config: only what would change, each with its reason as a comment."""

from gatehand.air import words
from gatehand.air.look import Report
from gatehand_air.ducting import Lack
from gatehand_air.proposals import RunOn, Size


def proposals(report: Report) -> str:
    """Tables and keys to put into the config; empty when nothing is to be changed."""
    tables: dict[str, list[str]] = {}
    _max_open(report, tables)
    _tools(report, tables)
    _sizes(report, tables)
    return "\n".join("\n".join([f"[{name}]", *lines, ""]) for name, lines in tables.items())


def _max_open(report: Report, tables: dict[str, list[str]]) -> None:
    carries, set_to = report.proposals.max_open, report.shop.max_open
    if carries.gates is None or carries.fails is None or (set_to is not None and set_to <= carries.gates):
        return
    say = words.Speaker(report.shop.units)
    why = words.too_many(carries, report.shop.collector, say)
    tables[f"collector.{report.shop.collector}"] = [f"max_open = {carries.gates}  # {why}"]


def _tools(report: Report, tables: dict[str, list[str]]) -> None:
    say = words.Speaker(report.shop.units)
    configured = {demand.name: demand.assist for demand in report.shop.demands}
    for tool, help_ in report.proposals.assists.items():
        if help_.cures and not help_.gates <= configured[tool]:
            gates = ", ".join(f'"{gate}"' for gate in sorted(help_.gates))
            before, after = say.velocity(help_.slow.found, word=False), say.velocity(help_.speed)
            tables.setdefault(f"tool.{tool}", []).append(
                f"assist = [{gates}]  # {help_.slow.where} runs at {before} without, at {after} with"
            )
    for one in report.proposals.run_ons:
        tables.setdefault(f"tool.{one.tool}", []).append(_run_on(one, report.run_ons[one.tool]))


def _run_on(one: RunOn, set_to: float) -> str:
    """A line to copy where the run-on is too short, else a comment."""
    spins = f"spin-down {one.spin_down:g} s, " if one.spin_down else ""
    reason = f"{spins}twice the {one.clearing:.1f} s to clear the ducts, 1 s"
    if one.settles:
        reason += "; sawdust settles on its way, which no run-on cures"
    if set_to < one.least:
        return f"run_on = {one.least:g}  # at least, not {set_to:g}: {reason}"
    return f"# run_on = {one.least:g} is the least, {set_to:g} is set: {reason}"


def _sizes(report: Report, tables: dict[str, list[str]]) -> None:
    """Sizes that would do, as comments: a duct is not changed by a line in a file."""
    chosen: dict[tuple[tuple[str, ...], float], list[Size]] = {}
    for size in report.proposals.sizes:
        if size.enough and not size.costs:
            chosen.setdefault((size.ducts, size.diameter), []).append(size)
    for (ducts, diameter), sizes in chosen.items():
        shown = diameter / report.shop.units.diameter
        for duct in ducts:
            reasons = "; ".join(dict.fromkeys(_reason(report, size) for size in sizes))
            tables.setdefault(f"duct.{duct}", []).append(f"# diameter = {shown:.4g}  # {reasons}")


def _reason(report: Report, size: Size) -> str:
    say = words.Speaker(report.shop.units)
    if size.short.lack is Lack.HOOD_FLOW:
        return f"{say.flow(size.brings)} at {size.short.where} instead of {say.flow(size.short.found, word=False)}"
    before = say.velocity(size.short.found, word=False)
    return f"{say.velocity(size.brings)} in {size.short.where} with {size.demand.name} alone instead of {before}"
