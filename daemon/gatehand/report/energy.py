"""Energy where currents are known: mean current while running, from samples of the recording, times the hours.

Apparent energy, volt times ampere times hours: a current sensor knows no power factor. The voltage is that of the
circuit which names the tool or collector among its members.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from gatehand.config import Config
from gatehand.config.tables import COLLECTOR_MEMBER
from gatehand.past.account import Account, Use
from gatehand.past.deadband import at_least
from gatehand.past.recordings import opened
from gatehand.past.stretches import stretches
from gatehand.recording.recording import Listed, recordings

MOST_FILES: Final = 24
"""Recorded files read, spread over the time: hours, not all of them."""
_LONGEST_MS: Final = 10_000
"""A current holds until the next reading, at most this long."""


@dataclass(frozen=True, slots=True)
class Energy:
    """Of a tool or collector. `kvah` None: no circuit says its voltage."""

    mean_amps: float
    ampere_hours: float
    kvah: float | None


def energies(
    config: Config, folder: Path, since: datetime | None, until: datetime | None, account: Account
) -> tuple[dict[str, Energy], int]:
    """Energy of what ran in a time, as far as the recording reaches; and from how many of its files.

    By name as a circuit's members are named: tools as they are, and `collector.NAME`.
    """
    least = {name: at_least(tool.stop_at) for name, tool in config.tool.items()}
    least |= {COLLECTOR_MEMBER + name: at_least(one.turns_at) for name, one in config.collector.items()}
    uses = account.tools | {COLLECTOR_MEMBER + name: use for name, use in account.collectors.items()}
    volts = {
        member: one.voltage for one in config.circuit.values() if one.voltage is not None for member in one.members
    }
    found: dict[str, Energy] = {}
    files = _spread([one for one in recordings(folder, since, until) if not one.trouble])
    count = 0
    charge, ran_ms = Counter[str](), Counter[str]()  # milliampere times ms while running, and ms of it
    for recording in opened(files):
        count += 1
        for stretch in stretches(recording):
            tracks = stretch.tracks | {COLLECTOR_MEMBER + name: track for name, track in stretch.currents.items()}
            for name in least.keys() & tracks.keys():
                ran = [(ma, ms) for ma, ms in tracks[name].held(_LONGEST_MS) if ma >= least[name]]
                charge[name] += sum(ma * ms for ma, ms in ran)
                ran_ms[name] += sum(ms for _, ms in ran)
    for name in charge:
        mean = charge[name] / ran_ms[name] / 1000 if ran_ms[name] else 0.0
        hours = mean * uses.get(name, Use()).hours(account.until_ms)
        voltage = volts.get(name)
        found[name] = Energy(mean, hours, None if voltage is None else hours * voltage / 1000)
    return found, count


def _spread(files: list[Listed]) -> Iterable[Listed]:
    if len(files) <= MOST_FILES:
        return files
    return [files[at * len(files) // MOST_FILES] for at in range(MOST_FILES)]
