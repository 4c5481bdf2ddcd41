"""Values that can be written and are probably not meant: another unit, a slip of the decimal point, no time limit.

What is usual in a small shop is common practice, no published source, unless another is named. Everything here is a
warning, but for a threshold that no reading can reach. The numbers of the ducts are the business of `check_air.py`.
"""

from collections.abc import Iterator, Mapping
from typing import Final

from msgspec import Struct

from gatehand.config import codes
from gatehand.config.check_sensors import THRESHOLDS
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath
from gatehand.mqtt.payload import LARGEST_AMPS, LARGEST_WATTS
from gatehand.text import shown
from gatehand.times import written


def check_plausible(partial: Partial) -> Iterator[Fault]:
    """Every doubt."""
    for name in partial.config.tool:
        yield from _sensor(partial, ("tool", name))
    for name, collector in partial.config.collector.items():
        yield from _sensor(partial, ("collector", name))
        if collector.refresh == 0 and not partial.is_spoilt("collector", name, "refresh"):
            yield Fault(("collector", name, "refresh"), codes.NO_REFRESH, _NO_REFRESH)
    for name, circuit in partial.config.circuit.items():
        if circuit.amps > USUAL_BREAKER and not partial.is_spoilt("circuit", name, "amps"):
            text = f"{circuit.amps:,g} A is not the rating of a breaker in a small shop: take the one printed on it"
            yield Fault(("circuit", name, "amps"), codes.FAR_TOO_LARGE, text)
    yield from _durations(partial)


_NO_REFRESH: Final = (
    'with 0 the "on" is sent once, so the switch can have no time limit of its own: when the daemon, the broker or '
    "the network fails, the fan runs on; wanted a refresh, such as 20 s, and in the switch a limit of a little more "
    "than twice that"
)


class _Unit(Struct, frozen=True):
    """What thresholds are compared with, by the key of the sensor."""

    sign: str
    largest: float
    """Beyond it a reading is refused."""
    usual: float
    """The largest that is usual for a threshold."""
    meant: str


USUAL_THRESHOLD: Final = 60.0
"""Ampere; a motor of 5.5 kW draws about 30 A at 230 V, three-phase ones less."""
_UNITS: Final = {
    "current": _Unit(
        "A",
        LARGEST_AMPS,
        USUAL_THRESHOLD,
        "(0.001 for a meter that gives milliamps), or write power for one that gives watts",
    ),
    "power": _Unit("W", LARGEST_WATTS, 250 * USUAL_THRESHOLD, "(0.001 for a meter that gives milliwatts)"),
}
USUAL_FULL_LOAD: Final = 100.0
USUAL_BREAKER: Final = 400.0


def _sensor(partial: Partial, path: KeyPath) -> Iterator[Fault]:
    """A tool's or a collector's threshold, and the plate's full load beside it."""
    table = getattr(partial.config, str(path[0]))[path[1]]
    if (full_load := table.full_load_amps) is not None and full_load > USUAL_FULL_LOAD:
        draws = "is more than a machine of a small shop draws"
        text = f"{full_load:,g} A at full load {draws}: take it from the motor's plate"
        yield Fault((*path, "full_load_amps"), codes.FAR_TOO_LARGE, text)
    for sensor, unit in _UNITS.items():
        threshold = THRESHOLDS[str(path[0])][sensor][0]
        given, meter = getattr(table, threshold), getattr(table, sensor)
        at = (*path, threshold)
        if given is None or meter is None or partial.is_spoilt(*at):
            continue
        scale = f"give {sensor} its scale" if meter.scale == 1 else f"look at the scale of {sensor}"
        if given > unit.largest:
            refused = f"a reading beyond {unit.largest:,g} {unit.sign} is refused as absurd"
            text = f"{refused}, so {given:,g} {unit.sign} is never reached: {scale} {unit.meant}"
            yield Fault(at, codes.NEVER_REACHED, text)
        elif given > unit.usual:
            text = f"{given:,g} {unit.sign} is far above what a machine of a small shop draws: {scale} {unit.meant}"
            yield Fault(at, codes.FAR_TOO_LARGE, text)
        elif sensor == "current" and full_load is not None and given > full_load:
            yield _above_full_load(at, given, full_load)


def _above_full_load(path: KeyPath, given: float, full_load: float) -> Fault:
    draws = f"{given:g} A is above its full load of {full_load:g} A (full_load_amps)"
    if path[0] == "tool":
        text = f"{draws}, so an ordinary cut would never start the collector: wanted the current of a light cut"
        return Fault(path, codes.START_ABOVE_FULL_LOAD, text)
    text = f"{draws}, so it would never be seen to turn: wanted about a third, {full_load / 3:.2g} A"
    return Fault(path, codes.TURNS_ABOVE_FULL_LOAD, text)


_MINUTE: Final = 60.0
_HOUR: Final = 3600.0
USUAL: Final[Mapping[str, Mapping[str, float]]] = {
    "collector": {"spin_up": _MINUTE, "coast_down": 5 * _MINUTE, "refresh": 10 * _MINUTE},
    "gate": {"travel": _MINUTE, "hand_limit": 24 * _HOUR},
    "tool": {
        "run_on": 15 * _MINUTE,
        "start_after": _MINUTE,
        "stop_after": 10 * _MINUTE,
        "silent_after": 24 * _HOUR,
    },
    "circuit": {"start_gap": _MINUTE},
}
"""Seconds; the longest that is usual, by kind of table and key."""
_THOUSAND: Final = 1000


def _durations(partial: Partial) -> Iterator[Fault]:
    for kind, keys in USUAL.items():
        for name, table in getattr(partial.config, kind).items():
            for key, usual in keys.items():
                value = getattr(table, key)
                if value > usual and not partial.is_spoilt(kind, name, key):
                    yield _long((kind, name, key), partial.raw[kind][name].get(key), value, usual)


def _long(path: KeyPath, as_written: object, value: float, usual: float) -> Fault:
    text = f"{written(value)} is long: usual for {path[-1]} is {written(usual)} at most"
    if isinstance(as_written, int | float) and as_written >= _THOUSAND:
        text += f'; a number is seconds, and milliseconds are written "{shown(as_written)} ms"'
    return Fault(path, codes.DURATION_DOUBTFUL, text)
