"""The report as text of at most 80 columns."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gatehand.journal.line import OwnEvent
from gatehand.report.energy import Energy
from gatehand.report.summary import Summary
from gatehand.report.upkeep_due import Due
from gatehand.text import named
from gatehand.times import local_text, rough
from gatehand_rules.findings import Happened

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
    yield from _upkeep(found.upkeep)
    if found.energy_files:
        yield ""
        yield f"amps: mean current while running, from {named(found.energy_files, 'recorded file')}. kVAh: volt times"
        yield "ampere, where a [circuit.NAME] with a voltage names it; the real energy is less by its power factor."


def _tools(found: Summary) -> Iterator[str]:
    yield f"{'tool':<22} {'cuts':>6} {'hours':>7} {'longest':>9} {'missed':>7} {'refused':>8} {'amps':>6} {'kVAh':>7}"
    for row in found.tools():
        yield (
            f"{row.tool:<22} {row.cuts:>6,} {_hours(row.hours)} {rough(row.longest_s):>9} {row.missed:>7} "
            f"{row.refused:>8} {_energy(row.energy)}"
        ).rstrip()


def _collectors(found: Summary) -> Iterator[str]:
    yield f"{'collector':<22} {'starts':>6} {'hours':>7} {'an hour':>9} {'worst hour':>16} {'amps':>6} {'kVAh':>7}"
    for row in found.collectors():
        worst = f"{row.worst_hour}, {local_text(row.worst_began_ms)[5:16]}" if row.worst_hour else ""
        yield (
            f"{row.name:<22} {row.starts:>6,} {_hours(row.hours)} {row.starts_an_hour:>9.1f} {worst:>16} "
            f"{_energy(row.energy)}"
        ).rstrip()


def _hours(hours: float) -> str:
    return f"{hours:>7.2f}" if hours < 10 else f"{hours:>7,.1f}"  # noqa: PLR2004


def _energy(energy: Energy | None) -> str:
    if energy is None:
        return f"{'':>6} {'':>7}"
    return f"{energy.mean_amps:>6.1f} {'' if energy.kvah is None else format(energy.kvah, '.1f'):>7}"


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
