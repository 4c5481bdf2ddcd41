"""By what a tool says that it runs, and a motor that it turns: one sensor, and the thresholds in its own unit.

A sensor is looked for as it is written, readable or not: a mistake within it is told where it is.
"""

from collections.abc import Iterator, Mapping
from typing import Final

from msgspec import Struct

from gatehand.config import codes
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath, dotted
from gatehand.config.signals import SENSORS
from gatehand.config.tables import STOP_SHARE
from gatehand.text import listed
from gatehand_rules.words import Measure

_UNIT: Final = {"current": "amps", "power": "watts"}
THRESHOLDS: Final[Mapping[str, Mapping[str, tuple[str, ...]]]] = {
    "tool": {key: (f"start_{one}", f"stop_{one}") for key, one in SENSORS.items() if one is not Measure.RUNNING},
    "collector": {key: (f"running_{one}",) for key, one in SENSORS.items() if one is not Measure.RUNNING},
}
"""By the kind of table and the key of the sensor: the keys of its thresholds, the first of them needed most."""


class _Written(Struct, frozen=True):
    """A tool's or a collector's table as it is written."""

    path: KeyPath
    keys: tuple[str, ...]

    @property
    def kind(self) -> str:
        return str(self.path[0])

    @property
    def sensors(self) -> list[str]:
        return [key for key in self.keys if key in SENSORS]


def check_sensors(partial: Partial) -> Iterator[Fault]:
    """Every fault of the sensors and their thresholds."""
    for kind in THRESHOLDS:
        for name in getattr(partial.config, kind):
            table = _Written((kind, name), tuple(partial.raw[kind][name]))
            several = table.sensors[1:]
            if several:
                all_ = f"{'both ' if len(several) == 1 else ''}{listed(table.sensors, last='and')}"
                text = f"{dotted(table.path)} has {all_}; keep one"
                yield Fault((*table.path, several[-1]), codes.TWO_SENSORS, text, at_key=True)
            elif table.sensors:
                yield from _of_sensor(partial, table, table.sensors[0])
            else:
                yield from _without(partial, table)


def _without(partial: Partial, table: _Written) -> Iterator[Fault]:
    if table.path in partial.meant.strange or any(partial.is_spoilt(*table.path, key) for key in SENSORS):
        return
    if table.kind == "tool":
        text = "add current (a sensor in amps), power (a meter in watts) or running (a contact)"
        yield Fault(table.path, codes.NO_SENSOR, f"nothing says when it runs: {text}", at_key=True)
        return
    for key, (threshold, *_) in THRESHOLDS["collector"].items():
        if threshold in table.keys:
            text = f"has no effect: there is no {key} to compare it with"
            yield Fault((*table.path, threshold), codes.NO_EFFECT, text, at_key=True)


def _of_sensor(partial: Partial, table: _Written, sensor: str) -> Iterator[Fault]:
    """The thresholds beside the one sensor that there is."""
    thresholds = THRESHOLDS[table.kind]
    own = thresholds.get(sensor, ())
    strange = {other: [key for key in table.keys if key in keys] for other, keys in thresholds.items() if keys != own}
    for other, keys in strange.items():
        if keys:
            text = _words_of_strange(table, sensor, other, keys)
            yield Fault((*table.path, keys[0]), codes.OTHER_UNIT, text, at_key=True)
    if table.kind == "collector" or not own:
        return
    start, stop = own
    entry = partial.config.tool[str(table.path[1])]
    start_at, stop_at = getattr(entry, start), getattr(entry, stop)
    if start not in table.keys:
        misspelt = table.path in partial.meant.strange or any(
            partial.is_spoilt(*table.path, key) for keys in thresholds.values() for key in keys
        )
        if not any(strange.values()) and not misspelt:
            unit = _UNIT[sensor]
            text = f"{start} is missing (start threshold in {unit}: at or above this it is running): it has no default"
            yield Fault((*table.path, start), codes.MISSING_KEY, text)
    elif start_at is not None and stop_at is not None and stop_at > start_at:
        text = (
            f"{stop} {stop_at:g} is above {start} {start_at:g}: it would start and stop at once; "
            f"wanted at most {start_at:g}, usually about {STOP_SHARE * start_at:.3g}"
        )
        yield Fault((*table.path, stop), codes.STOP_ABOVE_START, text)


def _words_of_strange(table: _Written, sensor: str, other: str, keys: list[str]) -> str:
    """Thresholds in a unit that is not that of the sensor."""
    verb, them = ("belongs", "it") if len(keys) == 1 else ("belong", "them")
    text = f"{listed(keys, last='and')} {verb} to {other}, and {dotted(table.path)} has {sensor}"
    thresholds = THRESHOLDS[table.kind]
    own = thresholds.get(sensor)
    if own is None:
        return f"{text}: a contact has no threshold, so leave {them} out"
    meant = [own[thresholds[other].index(key)] for key in keys]
    wanted = [key for key in meant if key not in table.keys]
    if not wanted:
        return f"{text}: leave {them} out"
    return f"{text}: write {listed(wanted, last='and')} in {_UNIT[sensor]} instead, or {other} in place of {sensor}"
