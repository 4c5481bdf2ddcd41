"""The report for programs: the shape is part of the contract. Numbers in the config's units, six digits."""

from collections.abc import Sequence
from typing import Any

from gatehand.air import measured, toml, words
from gatehand.air.build import Shop
from gatehand.air.look import Report, View
from gatehand.air.measured import Fitted
from gatehand_air.ducting import Lack
from gatehand_air.solve import Answer, Unsolved


def as_json(reports: Sequence[Report], units: str, fits: Sequence[Fitted] = ()) -> dict[str, Any]:
    """Every set and the proposals of all collectors; with readings also how the fan was fitted."""
    return {
        "units": units,
        **({"fits": [measured.as_json(fitted) for fitted in fits]} if fits else {}),
        "sets": [_set(report.shop, view) for report in reports for view in report.views],
        "proposals": {
            "max_open": {r.shop.collector: r.proposals.max_open.gates for r in reports},
            "assist": {t: sorted(h.gates) for r in reports for t, h in r.proposals.assists.items() if h.cures},
            "run_on": {one.tool: one.least for r in reports for one in r.proposals.run_ons},
            "sizes": [size for report in reports for size in _sizes(report)],
            "toml": "\n".join(text for r in reports if (text := toml.proposals(r))),
        },
    }


def _set(shop: Shop, view: View) -> dict[str, Any]:
    """One set: the air with the clean filter, beside it with the dirty one."""
    say = words.Speaker(shop.units)
    return {
        "open": sorted(view.picture.gates),
        "collector": shop.collector,
        "asked_by": [[words.asker(demand) for demand in together] for together in view.asked.demands],
        **_air(shop, view.picture.clean, view),
        "dirty": _air(shop, view.picture.dirty, view),
        "short": list(words.shortfalls(view.picture, shop.collector, say, view.helped)),
    }


def _air(shop: Shop, answer: Answer, view: View) -> dict[str, Any]:
    """Flows and velocities of one answer; nulls where there is none."""
    of, ducting = shop.units, shop.ducting
    ends = {end.hood: end.name for end in ducting.network.ends if end.gate is None or end.gate in view.picture.gates}
    wanted = {hood: _six(want.flow / of.flow) for hood, want in shop.wants.items()}
    if isinstance(answer, Unsolved):
        return {
            "flow": None,
            "pressure": None,
            "suction": None,
            "ducts": {},
            "hoods": {hood: {"flow": None, "wanted": wanted.get(hood)} for hood in ends},
        }
    flows, speeds = answer.flows, ducting.velocities(answer)
    return {
        "flow": _six(answer.flow / of.flow),
        "pressure": _six(answer.pressure / of.pressure),
        "suction": _six(ducting.suction(answer) / of.pressure),
        "ducts": {n: {"flow": _six(q / of.flow), "velocity": _six(speeds[n] / of.velocity)} for n, q in flows.items()},
        "hoods": {h: {"flow": _six(flows[end] / of.flow), "wanted": wanted.get(h)} for h, end in ends.items()},
    }


def _sizes(report: Report) -> list[dict[str, Any]]:
    of = report.shop.units
    found = []
    for size in report.proposals.sizes:
        unit = of.flow if size.short.lack is Lack.HOOD_FLOW else of.velocity
        found.append(
            {
                "for": words.asker(size.demand),
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
    """Six significant digits: more would claim what no duct knows."""
    return float(f"{value:.6g}")
