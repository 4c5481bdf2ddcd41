"""What a fit says: for a person, as TOML ready to be copied into a config, and for programs. From the facts alone."""

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

from gatehand.air.air_words import opened, significant
from gatehand.air.measured import DIGITS, Fitted, distance, shown, unit_of, what_of
from gatehand.config.check_air import GREATEST_ENTRY, GREATEST_FACTOR
from gatehand.config.ducts import Fan
from gatehand.terminal import columns
from gatehand.text import listed, named
from gatehand_air.fit import LEAST_SCALE, MOST_SCALE, Fault
from gatehand_air.fit_state import Place, Suspect
from gatehand_air.fittings import MATERIALS
from gatehand_air.readings import ACCURACY, PROFILE, PROFILE_SPREAD, Piece, Quantity
from gatehand_air.spread import PLAIN

_LOCKED: Final = (
    "Before you open a duct, a gate, the filter or the fan: switch the collector off at its isolator and lock it out."
)
NOISY: Final = 1.5
"""Times their accuracy: how far readings err before it is worth a remark."""
_FINE: Final = 0.02
"""Half-widths from which on a percentage is shown whole."""
_LESS: Final = "it is wider, shorter or smoother than described, or air comes in on the way (a hose off, a leak)"
_NOT_TAKEN: Final = "so the fan stays as the config has it, and nothing below changes"
_LOOK_AGAIN: Final = "Look again at the units of the readings, at the gates that were open, and at the curve."
_MORE_READINGS: Final = "Give more readings: a flow and the suction for 2 or 3 sets of gates."
_FACTOR: Final = 2.0
"""From which on a reading is off by a factor, and no longer by percents."""
_WHOLE: Final = 10.0
"""From which on that is a whole number."""
_FAR: Final = 1000.0


def fit_as_text(fitted: Fitted) -> str:
    """The fit, what remains of each reading, what is off, then the fan as TOML."""
    found, collector = fitted.fit, fitted.system.collector
    head = f"collector {collector}, fitted to {named(len(fitted.readings), 'reading')}, {found.spare} more than needed"
    lines = [f"{head}: {_figures(fitted)}", *columns(_rows(fitted), "  ")]
    lines += [f"  {line}" for line in _sentences(fitted)]
    places = found.places
    telling = [place for place in places if place.off or not (place.piece.first and place.piece.last)]
    if telling:
        lines += [
            "  what the readings say of the ducts, each ± for 19 cases of 20:",
            *columns(_places(fitted, telling), "  "),
        ]
    if silent := len(places) - len(telling):
        more = "more " if telling else ""
        lose = "loses" if silent == 1 else "lose"
        lines.append(f"  {named(silent, f'{more}duct')} {lose} as much as described, as far as these readings tell")
    if fitted.taken:
        lines += [f"  {line}" for line in (_in_place_of(fitted), *_toml(collector, fitted.fan))]
    return "\n".join([*lines, ""])


def fit_as_json(fitted: Fitted) -> dict[str, Any]:
    """The same for programs; values in the config's units, spreads as half-widths that hold 19 of 20."""
    of, found = fitted.system.units, fitted.fit
    at = _filter_flow(fitted)
    lost = found.filter.at(at)[0] / of.pressure
    left_out = {fault.what.reading for fault in found.faults}
    return {
        "collector": fitted.system.collector,
        "scale": _four(found.scale),
        "scale_spread": _four(found.scale * found.scale_off),
        "with_filter": found.with_filter,
        "filter": {"loss": _four(lost), "spread": _four(lost * found.filter_off), "at": _four(at / of.flow)},
        "filter_state": fitted.state,
        "scale_if_not": None if fitted.otherwise is None else _four(fitted.otherwise),
        "spare": found.spare,
        "plausible": fitted.taken,
        "rms_before": _four(found.rms_before),
        "rms": _four(found.rms),
        "noise": _four(found.noise),
        "fan": fitted.fan.model_dump(exclude_none=True),
        "readings": [
            {
                "reading": number,
                "open": sorted(one.gates),
                "kind": one.kind,
                "where": one.where,
                **({"at": _four(one.at / of.length)} if one.kind is Quantity.TAP else {}),
                "measured": _four(one.value / unit_of(fitted.system, one.kind)),
                "fitted": _four(after / unit_of(fitted.system, one.kind)),
                "off": _four(one.value / after - 1),
                "accuracy": _four(one.accuracy),
                "left_out": i in left_out,
            }
            for i, (number, one, after) in enumerate(zip(fitted.numbers, fitted.readings, found.after, strict=True))
        ],
        "faults": [
            {
                "text": _fault(fitted, fault),
                "or": [_suspect(fitted, other) for other in fault.others],
                "off": None if fault.what.reading is None else _four(fault.off),
                "others_off": _four(fault.rest),
                "scale_with_it": _four(fault.scale),
            }
            for fault in found.faults
        ],
        "notes": list(_sentences(fitted)),
        "fan_or": [_suspect(fitted, other) for other in found.instead],
        "ducts": [
            {
                "place": _piece(fitted, place.piece),
                "duct": place.piece.duct,
                "from": _four(place.piece.start / of.length),
                "to": _four(place.piece.end / of.length),
                "hood": place.piece.hood,
                "open": sorted(place.gates),
                "flow": _four(place.flow / of.flow),
                "loss": _four(place.found / of.pressure),
                "spread": _four(place.found_off / of.pressure),
                "described": _four(place.described / of.pressure),
                "described_spread": _four(place.described_off / of.pressure),
                "differs": place.off,
            }
            for place in found.places
        ],
    }


def _four(value: float) -> float:
    return significant(value, DIGITS)


def _filter_flow(fitted: Fitted) -> float:
    """The flow at which the filter's loss is told, m3/s."""
    fan, of = fitted.fan, fitted.system.units
    return (fan.filter_loss.at if fan.filter_loss is not None else fan.curve[-1][0]) * of.flow


def _figures(fitted: Fitted) -> str:
    """What was fitted and how sure it is."""
    found, say = fitted.fit, fitted.system.say
    if not found.told:
        return "these readings do not tell what the fan gives"
    fan = f"the fan gives {_percents(found.scale, found.scale * found.scale_off)} of its curve"
    if found.with_filter:
        at = _filter_flow(fitted)
        lost = found.filter.at(at)[0]
        off = say.pressure(lost * found.filter_off)
        return f"{fan}, the filter loses {say.pressure(lost, word=False)} ± {off} at {say.flow(at)}"
    if not found.filter.factor:
        return f"{fan}, with the filter's loss counted in, as these readings cannot tell the two apart"
    held = f"counts as described, ± {100 * found.filter_off:.0f} %"
    return f"{fan}; the filter {held}, as these readings cannot tell the two apart"


def _percents(value: float, off: float) -> str:
    places = 0 if off >= _FINE else 1
    return f"{100 * value:.{places}f} ± {max(100 * off, 0.1):.{places}f} %"


def _rows(fitted: Fitted) -> list[list[str]]:
    found = fitted.fit
    left_out = {fault.what.reading for fault in found.faults}
    rows = [["reading", "measured", "before", "fitted", "off by", ""]]
    for i, (one, before, after) in enumerate(zip(fitted.readings, found.before, found.after, strict=True)):
        cells = [shown(fitted.system, one.kind, value) for value in (one.value, before, after)]
        note = "left out" if i in left_out else ""
        rows.append([_reading(fitted, i), *cells, _signed(one.value / after - 1), note])
    return rows


def _signed(part: float) -> str:
    """In percents; nothing has no sign."""
    return f"{0.0 if (shown := round(100 * part, 1)) == 0 else shown:{'+' if shown else ''}.1f} %"


def _reading(fitted: Fitted, at: int) -> str:
    """Such as "2, bench: hood bench"."""
    one = fitted.readings[at]
    return f"{fitted.numbers[at]}, {', '.join(sorted(one.gates)) or '(none)'}: {what_of(fitted.system, one)}"


def _sentences(fitted: Fitted) -> Iterator[str]:
    """What remains, what was taken over, what is off, a sentence each."""
    found, kinds = fitted.fit, {one.kind for one in fitted.readings}
    yield f"typical error {100 * found.rms_before:.1f} % before the fit, {100 * found.rms:.1f} % after it"
    yield (
        f"each ± holds in 19 cases of 20, with the ducts known to ± {100 * PLAIN.factors:.0f} % (fittings) and"
        f" ± {100 * PLAIN.entries:.0f} % (hoods)"
    )
    if all(one.accuracy == ACCURACY for one in fitted.readings):
        yield f"each reading counts as good to ± {100 * ACCURACY:.0f} % (common practice, no published source)"
    if Quantity.DUCT in kinds:
        yield "a velocity under duct counts as the mean over the duct; one read in its middle belongs under centreline"
    if Quantity.CENTRELINE in kinds:
        off = 100 * PROFILE_SPREAD
        yield (
            f"centreline: the mean is {PROFILE:.3f} of it, ± {off:.0f} % (power law with n = 7, of 6 to 10;"
            " Schlichting, Boundary-Layer Theory [pub])"
        )
    if found.noise > NOISY:
        yield (
            f"the readings differ {found.noise:.1f} x as much as their accuracy allows: look again at each reading,"
            " at how the ducts are described, and for a leak"
        )
    yield from (_fault(fitted, fault) for fault in found.faults)
    if not found.told:
        why = f"That does not tell what the fan gives, {_NOT_TAKEN}."
        yield f"{why} {_LOOK_AGAIN if found.noise > NOISY else _MORE_READINGS}"
        return
    fan_off = [*_fan_off(fitted)]
    yield from fan_off
    yield from _filter_off(fitted)
    if fitted.otherwise is not None:
        other = "dirty" if fitted.state == "clean" else "clean"
        yield f"if the filter was {other}, these readings mean {100 * fitted.otherwise:.0f} % of the fan's curve"
    if not fitted.taken:
        yield f"That cannot be right, {_NOT_TAKEN}. {_LOOK_AGAIN}"
        return
    filter_, instead = ("", f"{100 * PLAIN.fan:.0f} %")
    if found.with_filter and not fitted.beyond:
        filter_, instead = " and of the filter", f"{instead} and {100 * PLAIN.filter:.0f} %"
    wider = ", though wider: more readings would narrow it" if found.scale_off > PLAIN.fan else ""
    yield f"the verdicts below use this ± of the fan{filter_}, in place of {instead}{wider}"
    if found.faults or fan_off or fitted.beyond or any(place.off for place in found.places):
        yield _LOCKED


def _fan_off(fitted: Fitted) -> Iterator[str]:
    """A fan that gives less, or more, than its curve; and what may be off in its place."""
    found = fitted.fit
    gives = _percents(found.scale, found.scale * found.scale_off)
    if not found.fan_plausible:
        limits = f"{100 * LEAST_SCALE:.0f} to {100 * MOST_SCALE:.0f} %"
        yield (
            f"a fan hardly ever gives {gives} of its curve; {limits} is what to expect (common practice, no published"
            " source)"
        )
        return
    if abs(math.log(found.scale)) <= math.hypot(found.scale_off, PLAIN.fan):
        return
    why = "look at what its curve was drawn for"
    if found.scale < 1:
        why = "look at its wheel and the way it turns, have its voltage checked; or its maker's curve promises too much"
    yield f"the fan gives {gives} of its curve, and a curve is trusted to ± {100 * PLAIN.fan:.0f} %: {why}"
    if found.instead:
        others = listed([_suspect(fitted, other) for other in found.instead])
        ways = ["a reading of filter_loss"] if Suspect() in found.instead else []
        ways += ["taps before and after it"] if any(one.piece is not None for one in found.instead) else []
        yield f"these readings cannot tell that from a loss in {others}; {listed(ways, last='and')} would"


def _filter_off(fitted: Fitted) -> Iterator[str]:
    """A filter that takes more than a dirty one, or less than a clean one."""
    found, ducting, say = fitted.fit, fitted.system.ducting, fitted.system.say
    if not fitted.beyond:
        return
    at = _filter_flow(fitted)
    lost = found.filter.at(at)[0]
    takes = (
        f"the filter loses {say.pressure(lost, word=False)} ± {say.pressure(lost * found.filter_off)} at {say.flow(at)}"
    )
    stays = "filter_loss stays as it is"
    if fitted.beyond > 0:
        due = say.pressure(ducting.dirty_filter.at(at)[0])
        yield f"{takes}, more than the {due} at which it is due for cleaning: clean it, and measure again; {stays}"
    else:
        clean = say.pressure(ducting.clean_filter.at(at)[0])
        yield f"{takes}, less than the {clean} of a clean one: look for a tear or a seal that leaks; {stays}"


def _fault(fitted: Fitted, fault: Fault) -> str:
    """What contradicts the rest, with its figure."""
    others = ""
    if fault.others:
        others = f"; {listed([_suspect(fitted, other) for other in fault.others])} would explain it as well"
    with_it = "with it no fan would fit"
    if fault.scale <= _FACTOR * MOST_SCALE:
        with_it = f"with it the fan would give {100 * fault.scale:.0f} % of its curve"
    if fault.what.reading is not None:
        way = "too high" if fault.off > 0 else "too low"
        again = "measure it again with these gates open"
        off = f"off by {100 * abs(fault.off):.0f} % ({way}), the others"
        if not 1 / _FACTOR < 1 + fault.off < _FACTOR:
            off, again = f"{way} by {_factor(1 + fault.off)}, the others are off", f"look at its unit, or {again}"
        return (
            f"reading {_reading(fitted, fault.what.reading)} alone is {off} by {100 * fault.rest:.1f} %: it is left"
            f" out of these figures ({with_it}){others}; {again}"
        )
    place = next((p for p in fitted.fit.places if p.piece == fault.what.piece), None)
    if place is None and fault.what.piece is not None:
        piece = _piece(fitted, fault.what.piece)
        return f"{piece} does not lose what is described: its loss was fitted ({with_it}){others}"
    if place is None:
        return f"the filter does not lose what is described: its loss was fitted ({with_it}){others}"
    advice = _more(fitted, place.piece) if place.found > place.described else _LESS
    return f"{_lost(fitted, place)}: {advice}{others}; {_as_it_is(fitted, place)}"


def _more(fitted: Fitted, piece: Piece) -> str:
    """What may be amiss where a piece loses more than described."""
    duct = fitted.system.ducting.network.duct(piece.duct)
    gate = ["its gate is not fully open"] if duct.gate is not None else []
    if piece.hood:
        return _ways(["something blocks the hood", *gate, "hood and machine lose more than described"])
    hose = ["the hose is not stretched"] if duct.roughness >= MATERIALS["flex"].roughness else []
    return _ways(["something lies in it", *gate, *hose, "it has fittings that are not described"])


def _ways(clauses: Sequence[str]) -> str:
    return f"{', '.join(clauses[:-1])}, or {clauses[-1]}"


def _factor(times: float) -> str:
    """How many times too high or too low."""
    factor = max(times, 1 / max(times, 1 / _FAR))
    return (
        "far" if factor >= _FAR else f"a factor of {factor:,.0f}" if factor >= _WHOLE else f"a factor of {factor:.1f}"
    )


def _as_it_is(fitted: Fitted, place: Place) -> str:
    """How the config would describe what was found, should it stay so."""
    counted, more = "the verdicts below count it as described", (place.found - place.described) / place.dynamic
    entry = fitted.system.ducting.network.duct(place.piece.duct).entry
    if place.piece.hood and not place.piece.last and entry is not None:
        told, most = f"entry = {max(entry + more, 0.0):.2f} for that hood", GREATEST_ENTRY - entry
    else:
        told, most = f"{{ k = {more:.2f} }} more, first among the fittings of {place.piece.duct}", GREATEST_FACTOR
        if more <= 0:
            return counted
    if more > most:
        return (
            f"{counted}; that is more than a gate loses that is three quarters shut: look at the units of the readings"
        )
    return f"{counted}; should it stay so, that is {told}"


def _lost(fitted: Fitted, place: Place) -> str:
    """Such as "the stretch row between 1 and 4 m loses 3.10 ± 0.20 in.w.g., as described 1.40 ± 0.40"."""
    say = fitted.system.say
    found = f"{say.pressure(place.found, word=False)} ± {say.pressure(place.found_off)}"
    described = f"{say.pressure(place.described, word=False)} ± {say.pressure(place.described_off, word=False)}"
    whole = place.piece.first and place.piece.last
    what = "" if place.piece.hood or whole else "the stretch of "
    where = f"{opened(place.gates)} " if place.gates else ""
    return f"{where}{what}{_piece(fitted, place.piece)} loses {found}, as described {described}"


def _suspect(fitted: Fitted, what: Suspect) -> str:
    if what.reading is not None:
        return f"reading {_reading(fitted, what.reading)}"
    return "the filter" if what.piece is None else _piece(fitted, what.piece)


def _piece(fitted: Fitted, piece: Piece) -> str:
    """Such as "row between 1 and 4 m"."""
    start, end = distance(fitted.system, piece.start, word=False), distance(fitted.system, piece.end)
    if piece.hood:
        hood = f"the hood {fitted.system.say.hood(piece.duct)}"
        return f"{hood} with duct {piece.duct}" if piece.last else f"{hood} with the first {end} of {piece.duct}"
    if piece.first:
        return f"duct {piece.duct}" if piece.last else f"{piece.duct} up to {end}"
    if piece.last:
        return f"{piece.duct} from {distance(fitted.system, piece.start)} on"
    return f"{piece.duct} between {start} and {end}"


def _places(fitted: Fitted, places: Sequence[Place]) -> list[list[str]]:
    """What the readings say of single pieces better than the description does."""
    say = fitted.system.say
    rows = [["", "open", "flow", "loses", "as described", ""]]
    for place in places:
        found = f"{say.pressure(place.found, word=False)} ± {say.pressure(place.found_off, word=False)}"
        described = f"{say.pressure(place.described, word=False)} ± {say.pressure(place.described_off)}"
        more = "more than described" if place.found > place.described else "less than described"
        notes = [more if place.off else "as described", _entry(place)]
        gates = ", ".join(sorted(place.gates))
        rows.append([_piece(fitted, place.piece), gates, say.flow(place.flow), found, described, _joined(notes)])
    return rows


def _entry(place: Place) -> str:
    """The coefficient of entry, where a tap follows the hood: Ce = sqrt(velocity pressure / hood static suction)."""
    if not place.piece.hood or place.piece.last:
        return ""
    return f"Ce {math.sqrt(place.dynamic / (place.dynamic + max(place.found, 0.0))):.2f}"


def _joined(notes: Sequence[str]) -> str:
    return ", ".join(filter(None, notes))


def _in_place_of(fitted: Fitted) -> str:
    """Where the lines for the config go, and what else there changes with them."""
    told, old = fitted.system.collector, fitted.described
    text = f"for the config, in place of its [fan.{told}] (there a curve counts as known to ± {100 * PLAIN.fan:.0f} %)"
    if gone := [key for key in ("measured", "speed") if getattr(old, key) is not None]:
        text += f", without {listed(gone, last='and')}, as this curve is fan static pressure at the speed it runs at"
    return f"{text}:"


def _toml(collector: str, fan: Fan) -> Iterator[str]:
    """The lines for the config."""
    curve = ", ".join(f"[{flow:g}, {pressure:g}]" for flow, pressure in fan.curve)
    yield f"[fan.{collector}]"
    yield f"curve = [{curve}]"
    if (loss := fan.filter_loss) is not None:
        exponent = "" if loss.exponent == 2 else f", exponent = {loss.exponent:g}"  # noqa: PLR2004
        yield f"filter_loss = {{ clean = {loss.clean:g}, dirty = {loss.dirty:g}, at = {loss.at:g}{exponent} }}"
