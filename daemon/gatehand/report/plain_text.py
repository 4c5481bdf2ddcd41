"""The report as text of at most 80 columns."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from gatehand.journal.line import OwnEvent
from gatehand.measures import UNITS
from gatehand.report.energy import POWER_FACTORS, Energy
from gatehand.report.summary import CollectorFigures, Summary
from gatehand.report.upkeep_due import Due
from gatehand.text import columns, named, wrapped
from gatehand.times import local_text, rough
from gatehand_rules.findings import Happened
from gatehand_rules.words import Measure

if TYPE_CHECKING:
    from collections import Counter


def text(found: Summary) -> Iterator[str]:
    """Line by line."""
    account = found.account
    if account.first_ms is None:
        return
    worked = named(found.working_days(), "day")
    yield f"{local_text(account.first_ms)[:16]} to {local_text(account.last_ms)[:16]}, work on {worked}"
    yield ""
    yield from _tools(found)
    yield ""
    yield from _collectors(found)
    yield from _troubles(found)
    yield from _happened(found)
    yield from _energy(found)
    yield from _upkeep(found.upkeep)


def _tools(found: Summary) -> Iterator[str]:
    yield f"{'tool':<22} {'cuts':>6} {'hours':>7} {'longest':>9} {'missed':>7} {'refused':>8}"
    for row in found.tools():
        yield (
            f"{row.tool:<22} {row.cuts:>6,} {_hours(row.hours)} {rough(row.longest_s):>9} {row.missed:>7} "
            f"{row.refused:>8}"
        )


def _collectors(found: Summary) -> Iterator[str]:
    yield f"{'collector':<22} {'starts':>6} {'hours':>7} {'an hour':>9} {'worst hour':>16}"
    for row in found.collectors():
        worst = f"{row.worst_hour}, {local_text(row.worst_began_ms)[5:16]}" if row.worst_hour else ""
        yield f"{row.name:<22} {row.starts:>6,} {_hours(row.hours)} {_rate(row):>9} {worst:>16}".rstrip()


def _rate(row: CollectorFigures) -> str:
    """Starts for each hour of running; a dash before it has run for an hour, for that says nothing of an hour."""
    return f"{row.starts_an_hour:.1f}" if row.hours >= 1 else "-"


def _hours(hours: float) -> str:
    return f"{hours:>7.2f}" if hours < 10 else f"{hours:>7,.1f}"  # noqa: PLR2004


def _energy(found: Summary) -> Iterator[str]:
    """Nothing where the recording has nothing of it."""
    rows = energy_rows(found)
    if not any(row.mean for row in rows):
        return
    yield ""
    yield from columns([("energy", "mean", "kWh", ""), *rows])
    for note in energy_notes(found):
        yield from wrapped(note, _WIDTH)


class EnergyRow(NamedTuple):
    """One line of the table of energy, in words."""

    name: str
    mean: str
    kwh: str
    how: str


def energy_rows(found: Summary) -> list[EnergyRow]:
    """Of each tool and collector that ran, and their sum."""
    named_so = [(row.tool, row.energy) for row in found.tools()]
    named_so += [(f"collector {row.name}", row.energy) for row in found.collectors()]
    rows, sums, measured = list[EnergyRow](), [0.0, 0.0], 0.0
    for name, energy in named_so:
        if energy is None or not (energy.hours or energy.mean):
            continue
        mean = (
            "" if energy.mean is None else f"{energy.mean:,.{MEAN_DECIMALS[energy.measure]}f} {UNITS[energy.measure]}"
        )
        rows.append(EnergyRow(name, mean, "" if energy.kwh is None else _span(*energy.kwh), how(energy)))
        for at, kwh in enumerate(energy.kwh or ()):
            sums[at] += kwh
        measured += energy.kwh[0] if energy.measured and energy.kwh else 0.0
    if len(rows) > 1 and sums[1]:
        whole = "measured" if sums[0] == sums[1] else f"of it {_kwh(measured)} measured" if measured else "estimated"
        rows.append(EnergyRow("in all", "", _span(*sums), whole))
    return rows


def how(energy: Energy) -> str:
    """Measured or estimated, and from what; or why there is none."""
    if energy.measure is Measure.RUNNING:
        return "not measured"
    if energy.mean is None:
        return "nothing of it is recorded"
    if energy.measure is Measure.AMPS:
        return (
            "wants a voltage in a [circuit.NAME]"
            if energy.kvah is None
            else f"estimated, {_kwh(energy.kvah)} kVAh at {energy.volts:g} V"
        )
    if energy.measured:
        return "measured"
    return f"measured for {energy.recorded:.1f} of {energy.hours:.1f} h"


def energy_notes(found: Summary) -> list[str]:
    """What the words of the table mean, as far as it uses them."""
    shown = [energy for energy in found.energy.values() if energy.mean is not None]
    low, high = POWER_FACTORS
    notes = [f"mean: while running, from {named(found.energy_files, 'recorded file')}."]
    if any(energy.measure is Measure.WATTS for energy in shown):
        notes.append("Measured: watts for as long as each reading held, at rest too.")
    if any(energy.measure is Measure.WATTS and not energy.measured for energy in shown):
        notes.append("What is not recorded is added at none at the least, at the busiest file's mean at the most.")
    if any(energy.kvah is not None for energy in shown):
        notes.append(
            f"Estimated: volts times amps (kVAh) times a power factor that a current sensor does not know; {low:g} to "
            f"{high:g} is usual at work, and less for a motor that turns without load."
        )
    return [" ".join(notes)]


MEAN_DECIMALS: Final = {Measure.AMPS: 1, Measure.WATTS: 0}
_WIDTH: Final = 79


def _span(least: float, most: float) -> str:
    shown = _kwh(least), _kwh(most)
    return shown[0] if shown[0] == shown[1] else f"{shown[0]} to {shown[1]}"


def _kwh(value: float) -> str:
    return f"{value:.2f}" if value < 10 else f"{value:,.1f}"  # noqa: PLR2004


def _troubles(found: Summary) -> Iterator[str]:
    troubles = found.troubles()
    if troubles:
        yield ""
        yield "not started"
    for one in troubles:
        yield f"  {one.count:>5,} x {one.name}: {one.because}{' (refused)' if one.refused else ''}"


def _happened(found: Summary) -> Iterator[str]:
    account, events = found.account, found.account.events
    yield ""
    for what, counts in (
        ("gate movements ", account.movements),
        ("gate faults    ", account.faults),
        ("commands vetoed", events[Happened.COMMAND_VETOED]),
        ("alarms         ", account.alarms),
        ("stops          ", account.stops),
        ("bin full       ", account.bins_full),
        ("rejected       ", account.rejected),
        ("broker lost    ", events[Happened.BROKER_LOST]),
        ("daemon started ", events[OwnEvent.DAEMON_STARTED]),
        ("gaps in the log", events[OwnEvent.LOG_GAP]),
        ("clock steps    ", events[OwnEvent.CLOCK_STEPPED]),
    ):
        if isinstance(counts, int):
            if counts:
                yield f"{what} {counts:,}"
        elif counts or counts is account.movements:
            yield f"{what} {counts.total():,}{_split(counts)}"


def _upkeep(all_due: list[Due]) -> Iterator[str]:
    if all_due:
        yield ""
        yield "upkeep"
    for one in all_due:
        yield f"  {one.name:<20} {upkeep_words(one)}"


def upkeep_words(one: Due) -> str:
    """How one kind of upkeep stands."""
    least = "at least " if one.done_before_log or one.since_ms is None else ""
    since = f"since {local_text(one.since_ms)[:10]}" if one.since_ms is not None else "since the log begins"
    stands = {"due": f": due; then 'gatehand done {one.name}'", "soon": ": soon due", "well": ""}[one.word]
    return f"{least}{one.hours:.1f} of {one.every_hours:g} h {since}{stands}"


def _split(counts: "Counter[str]") -> str:
    if len(counts) == 1:
        return f"  ({next(iter(counts))})"
    parts = [f"{name} {count:,}" for name, count in counts.most_common(3)]
    return "  (" + ", ".join(parts) + (", ..." if len(counts) > len(parts) else "") + ")"
