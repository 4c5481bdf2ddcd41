"""The report as text of at most 80 columns."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from gatehand.journal.line import OwnEvent
from gatehand.journal.sentences import spoken
from gatehand.measures import UNITS
from gatehand.report.energy import POWER_FACTORS, Energy
from gatehand.report.summary import CollectorFigures, Summary
from gatehand.report.upkeep_due import Due, SuctionFall
from gatehand.terminal import columns, paragraph, wrapped
from gatehand.text import listed, named
from gatehand.times import local_stamp, local_text, rough
from gatehand_rules.findings import Happened
from gatehand_rules.words import Measure

if TYPE_CHECKING:
    from collections import Counter


def text(found: Summary) -> Iterator[str]:
    """Line by line."""
    if found.begin_ms is None or found.end_ms is None:
        return
    worked = named(found.working_days(), "day")
    yield f"{local_text(found.begin_ms)[:16]} to {local_text(found.end_ms)[:16]}, work on {worked}"
    for note in period_notes(found):
        yield from wrapped(note, _WIDTH)
    yield ""
    yield from _tools(found)
    yield from _collectors(found)
    yield from _troubles(found)
    yield from _happened(found)
    yield from _energy(found)
    yield from _upkeep(found.upkeep)


def period_notes(found: Summary) -> Iterator[str]:
    """What of the time is not recorded, and whose hours in it the config does not know."""
    missing = found.unrecorded
    if missing:
        whole = rough(sum(one.lasted_ms for one in missing) / 1000)
        most = max(missing, key=lambda one: one.lasted_ms)
        when = f"{local_text(most.begin)[:16]} to {local_text(most.end)[:16]}"
        about = "at most " if any(one.at_most for one in missing) else ""
        times = f"once, {when}" if len(missing) == 1 else f"{len(missing)} times, the longest {when}"
        yield f"Not recorded: {about}{whole}, in which Gatehand did not run ({times}); nothing of it is counted."
    if lost := found.account.events[OwnEvent.LOG_GAP]:
        yield f"The log has {named(lost, 'gap')}: lines are lost, and what they said is not counted."
    if names := found.renamed:
        one = len(names) == 1
        counted = "its hours are counted, its energy is not" if one else "their hours are counted, their energy is not"
        are = "is" if one else "are"
        yield f"{listed(names, last='and')} {are} not in the config (removed or renamed): {counted}."


def _tools(found: Summary) -> Iterator[str]:
    yield f"{'tool':<22} {'cuts':>6} {'time':>8} {'longest':>9} {'missed':>7} {'refused':>8}"
    for row in found.tools():
        yield (
            f"{row.tool:<22} {row.cuts:>6,} {spent(row.hours):>8} {rough(row.longest_s):>9} {row.missed:>7,} "
            f"{row.refused:>8,}"
        )
    for note in cut_notes(found):
        yield from wrapped(note, _WIDTH)


def cut_notes(found: Summary) -> Iterator[str]:
    """Whose longest cut lasted longer, perhaps, than the table says."""
    if names := [row.tool for row in found.tools() if row.longest_at_least]:
        yield f"Gatehand did not see all of the longest cut of {listed(names, last='and')}: it lasted at least that."


def _collectors(found: Summary) -> Iterator[str]:
    rows = list(found.collectors())
    if rows:
        yield ""
        yield f"{'collector':<22} {'starts':>6} {'time':>8} {'per hour on':>11} {'worst hour':>16}"
    for row in rows:
        worst = f"{row.worst_hour}, {local_text(row.worst_began_ms)[5:16]}" if row.worst_hour else ""
        yield f"{row.name:<22} {row.starts:>6,} {spent(row.hours):>8} {_rate(row):>11} {worst:>16}".rstrip()


def spent(hours: float) -> str:
    """Hours as a length of time in the unit that fits it: `8 s`, `5.2 min`, `29.2 h`."""
    return rough(round(hours * 3600, 1))


def _rate(row: CollectorFigures) -> str:
    """Starts for each hour of running; a dash before it has run for an hour, for that says nothing of an hour."""
    return f"{row.starts_an_hour:.1f}" if row.hours >= 1 else "-"


def _energy(found: Summary) -> Iterator[str]:
    """Nothing where the recording has nothing of it."""
    rows = energy_rows(found)
    if not any(row.mean for row in rows):
        return
    yield ""
    yield from columns([("energy", "mean", "kWh", ""), *rows])
    for note in energy_notes(found):
        yield from wrapped(note, paragraph(_WIDTH))


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
        unknown = sum(not row.kwh for row in rows)
        missing = f"; {unknown} of {len(rows)} not known" if unknown else ""
        rows.append(EnergyRow("in all", "", _span(*sums), whole + missing))
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
    return f"measured for {spent(energy.recorded)} of {spent(energy.hours)}"


def energy_notes(found: Summary) -> list[str]:
    """What the words of the table mean, as far as it uses them."""
    shown = [energy for energy in found.energy.values() if energy.mean is not None]
    low, high = POWER_FACTORS
    notes = [f"mean: while running, from {named(found.energy_files, 'recorded file')}."]
    if any(energy.measure is Measure.WATTS for energy in shown):
        notes.append("Measured: watts for as long as each reading held, at rest too.")
    if any(energy.measure is Measure.WATTS and not energy.measured for energy in shown):
        notes.append("What is not recorded counts as nothing at the least, and as the busiest file's mean at the most.")
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
    """With two decimals, but for so little that they would say nothing."""
    if 0 < value < 0.01:  # noqa: PLR2004
        return f"{value:.2g}" if value >= _LEAST else f"under {_LEAST:g}"
    return f"{value:.2f}" if value < 10 else f"{value:,.1f}"  # noqa: PLR2004


_LEAST: Final = 0.0001
"""kWh; less is a meter's noise."""


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
        ("held back      ", events[Happened.COMMAND_VETOED]),
        ("alarms         ", account.alarms),
        ("stop contacts  ", account.stops),
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
            yield _fitting(f"{what} {counts.total():,}", counts)


def _upkeep(all_due: list[Due]) -> Iterator[str]:
    if all_due:
        yield ""
        yield "upkeep"
    for one in all_due:
        yield from wrapped(f"  {one.name:<20} {upkeep_words(one)}", _WIDTH)


def upkeep_words(one: Due) -> str:
    """How one kind of upkeep stands."""
    then = {"due": f": due; then 'gatehand done {one.name}'", "soon": ": soon due", "well": ""}[one.word]
    if one.suction is not None:
        return f"{suction_words(one.suction)}{then}"
    least = "at least " if one.done_before_log or one.since_ms is None else ""
    since = f"since {local_text(one.since_ms)[:10]}" if one.since_ms is not None else "since the log began"
    return f"{least}{hours_of(one)} {since}{then}"


def suction_words(one: SuctionFall) -> str:
    """How far the suction has fallen, at what the filter is due, and what that rests on."""
    gates = [spoken(each) for each in one.gates.split(", ") if each]
    open_now = f"{listed(gates, last='and')} open" if gates else "no gate open"
    fallen = f"has fallen {one.fallen:.0%}" if round(one.fallen, 2) > 0 else "has not fallen"
    why = "the dirty filter of the config" if one.by_ducts else "common practice, no published source"
    since = f"since the baseline of {local_stamp(one.baseline_at)[:10]}"
    return f"suction with {open_now} {fallen} {since} (clean the filter at {one.limit:.0%}: {why})".replace("%", " %")


def hours_of(one: Due) -> str:
    """`29.2 of 40 h`; in minutes where an hour has not run."""
    shown = f"{one.hours:.1f}" if one.hours >= 1 else spent(one.hours) if one.hours else "0"
    return f"{shown} of {one.every_hours:g} h"


def _fitting(line: str, counts: "Counter[str]") -> str:
    """The line and as many of the names, the commonest first, as there is room for."""
    if len(counts) <= 1:
        return f"{line}  ({next(iter(counts))})" if counts else line
    parts = [f"{name} {count:,}" for name, count in counts.most_common(_MOST_NAMES)]
    while True:
        whole = f"{line}  ({', '.join([*parts, *(['...'] if len(parts) < len(counts) else [])])})"
        if len(parts) <= 1 or len(whole) <= _WIDTH:
            return whole
        parts.pop()


_MOST_NAMES: Final = 3
