"""What people do and what breaks in one shop-day, drawn from the seed before it begins, so that it can be shortened.

The rates come first: one seed is a quiet day with a single jam, another a day on which everything fails.
"""

from collections.abc import Callable, Sequence
from random import Random

from sim_happening import Happening
from sim_more import DRAWS, MORE
from sim_more import fault as draw_more

from gatehand.config import Config

DAY = 86_400.0
OPENS, CLOSES = 1800.0, 34_200.0
"""Working hours within the day, seconds after its beginning."""

PEOPLE = (
    "cut",
    "press",
    "hand_asked",
    "stop_pressed",
    "hold_asked",
    "reset",
    "bin_full",
    "gate_by_hand",
    "fan_by_hand",
)
GATE_FAULTS = ("gate_jam", "gate_stall", "gate_late", "gate_twice", "gate_wrong", "gate_never", "gate_lies")
SENSOR_FAULTS = ("sensor_silent", "sensor_stuck", "sensor_spike", "sensor_babble", "sensor_gone")
FAN_FAULTS = ("fan_deaf", "fan_welded", "fan_tripped")
BROKER_FAULTS = (
    "broker_killed",
    "broker_frozen",
    "cable_out",
    "radio_bad",
    "garbage",
    "retained_command",
    "hand_retained",
)
DAEMON_FAULTS = ("daemon_killed", "daemon_killed_deciding", "daemon_killed_telling", "daemon_stopped", "daemon_slow")
DISK_FAULTS = ("disk_full", "disk_stalls", "wall_jumps")
FAULTS = (*GATE_FAULTS, *SENSOR_FAULTS, *FAN_FAULTS, *BROKER_FAULTS, *DAEMON_FAULTS, *DISK_FAULTS)
EVERY_FAULT = (*FAULTS, *MORE)
STANDSTILLS = ("broker_frozen", "daemon_slow")


def script(config: Config, random: Random) -> list[Happening]:
    """A day of work and what goes wrong with it."""
    pace = random.choice((300, 600, 600, 1200))
    trouble = random.choice((0.0, 0.3, 1.0, 1.0, 2.5))
    rates = {kind: trouble * random.choice((0, 0, 1, 2, 4)) for kind in FAULTS}
    found = _work(config, random, pace)
    cuts = [each for each in found if each.kind == "cut"]
    if random.random() < 0.8:  # the machines' mains are off at night, their sensors with them
        found.append(Happening(CLOSES + 900, "mains_off", "", DAY - 30))
    for kind, rate in rates.items():
        for _ in range(_count(random, rate)):
            # Mostly near something that moves: a fault at rest proves little. What stands still matters most between a
            # cut's start and its gate's arrival: the collector is switched on in the middle of it.
            after = random.uniform(-5, 15)
            near = random.choice(found).at if found and random.random() < 0.7 else random.uniform(60, CLOSES)
            if cuts and kind in STANDSTILLS and random.random() < 0.7:
                near, after = random.choice(cuts).at, random.uniform(0, 1.5)
            found += _fault(kind, max(5.0, near + after), config, random)
    # Drawn last, so that a seed's day has what it had before and these besides.
    for kind in MORE:
        for _ in range(_count(random, trouble * random.choice((0, 0, 1, 2)))):
            found += draw_more(DRAWS[kind], kind, found, config, random)
    return sorted(found)


def _count(random: Random, rate: float) -> int:
    return int(rate) + (random.random() < rate % 1)


def _name(random: Random, names: Sequence[str]) -> str:
    return random.choice(list(names))


def _work(config: Config, random: Random, pace: float) -> list[Happening]:
    """Cuts, buttons, sweeps, and now and then an emergency stop."""
    tools, gates, fans, stops = list(config.tool), list(config.gate), list(config.collector), list(config.stop)
    buttons = [name for name, gate in config.gate.items() if gate.button is not None]
    bins = [name for name, fan in config.collector.items() if fan.bin_full is not None]
    found: list[Happening] = []
    at = OPENS
    while (at := at + random.expovariate(1 / pace)) < CLOSES:
        lasts = random.choice((0.2, 2, 8, 20, 45, 90, 240))
        what = random.random()
        if what < 0.72:
            tool = _name(random, tools)
            found.append(Happening(at, "cut", tool, at + lasts, random.choice((0.0, 0.0, 0.0, 0.9, 1.1))))
            by_hand = [gate for gate in config.tool[tool].gates if config.gate[gate].command is None]
            if random.random() < 0.85:
                found += [Happening(at - 3, "gate_by_hand", gate, at + lasts + 20) for gate in by_hand]
            if random.random() < 0.3:  # a second tool beside the first
                other = _name(random, tools)
                begins = at + random.uniform(0, lasts + 12)
                found.append(Happening(begins, "cut", other, begins + random.choice((1, 15, 40))))
        elif what < 0.82 and buttons:
            found.append(Happening(at, "press", _name(random, buttons)))
            found.append(Happening(at + lasts, "press", _name(random, buttons)))
        elif what < 0.88:
            found.append(Happening(at, "hand_asked", _name(random, gates), at + lasts))
        elif what < 0.91 and stops:
            found.append(Happening(at, "stop_pressed", _name(random, stops), at + lasts))
            found += [Happening(at + lasts + random.uniform(-2, 30), "reset", fan) for fan in fans]
        elif what < 0.93:
            found.append(Happening(at, "hold_asked", _name(random, fans)))
            found.append(Happening(at + lasts, "reset", _name(random, fans)))
        elif what < 0.95 and bins:
            found.append(Happening(at, "bin_full", _name(random, bins), at + lasts * 4))
        elif what < 0.97:
            found.append(Happening(at, "gate_by_hand", _name(random, gates), at + lasts))
        else:
            found.append(Happening(at, "fan_by_hand", _name(random, fans), at + lasts))
    return found


_LASTS: dict[str, Callable[[Random], float]] = {
    "gate": lambda random: random.choice((2, 20, 120, 900)),
    "sensor": lambda random: random.choice((1, 20, 90, 900)),
    "fan": lambda random: random.choice((5, 40, 300)),
    "broker_killed": lambda random: random.choice((0.05, 1, 8, 60)),
    "broker_frozen": lambda random: random.choice((0.1, 0.5, 2, 5, 30)),
    "cable_out": lambda random: random.choice((1, 4, 20, 90)),
    "hand_retained": lambda random: random.choice((60, 900, 6000)),
    "radio_bad": lambda random: random.choice((10, 60, 300)),
    "daemon": lambda random: random.choice((0.6, 2, 10, 60)),
    "disk": lambda random: random.choice((0.1, 2, 20, 120)),
}


def _fault(kind: str, at: float, config: Config, random: Random) -> list[Happening]:
    """One fault, with its end."""
    group = kind.split("_", maxsplit=1)[0]
    lasts = _LASTS.get(kind) or _LASTS.get(group)
    until = at + (lasts(random) if lasts is not None else 0.0)
    names: Sequence[str] = ()
    value = random.random()
    if group == "gate":
        names = list(config.gate)
    elif group == "sensor":
        names = list(config.tool)
    elif group == "fan":
        names = list(config.collector)
    elif kind == "hand_retained":
        names = list(config.gate)
    elif kind == "retained_command":
        names = [gate for gate, each in config.gate.items() if each.command is not None] or [""]
    elif kind == "wall_jumps":
        value = random.choice((-7200.0, -90.0, 90.0, 3600.0, 40_000.0, 90_000.0))
    return [Happening(round(at, 3), kind, _name(random, names) if names else "", round(until, 3), round(value, 4))]
