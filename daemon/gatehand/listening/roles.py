"""What a signal measures, as its names and its size tell; how the config writes it; what a config uses already.

The names are common words of electrical work and their unit signs (common practice, no published source).
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

from gatehand.mqtt.payload import parse_pointer
from gatehand.text import NAME, shown, toml_text
from gatehand_rules.words import Measure

if TYPE_CHECKING:
    from gatehand.config import Config
    from gatehand.listening.observed import HeardSignal
    from gatehand.rhythm import Rhythm

_BY_NAME: Final = (
    # The thousandths and the thousandfold before the plain units, words before signs: what is found first counts.
    ("ma milliamp milliamps milliampere milliamperes", Measure.AMPS, 0.001),
    ("kw kilowatt kilowatts", Measure.WATTS, 1000.0),
    ("mw milliwatt milliwatts", Measure.WATTS, 0.001),
    ("amps amp ampere amperes current", Measure.AMPS, 1.0),
    ("watts watt power", Measure.WATTS, 1.0),
    ("a", Measure.AMPS, 1.0),
    ("w", Measure.WATTS, 1.0),
)
_OTHER: Final[Mapping[str, str]] = {
    word: what
    for what, words in {
        "energy": "energy kwh wh joule joules consumption",
        "voltage": "voltage volts volt v mv",
        "power factor": "pf factor cosphi",
        "apparent or reactive power": "apparent reactive va var",
        "frequency": "frequency freq hz",
        "temperature": "temperature temp celsius fahrenheit tc tf",
        "humidity": "humidity",
        "radio signal": "rssi lqi snr dbm",
        "battery": "battery batt",
        "time": "time ts timestamp uptime date clock at seconds minutes",
        "count": "count counter n seq cnt id",
        "limit": "limit max min threshold setpoint",
        "pressure": "pressure suction pa hpa kpa",
        "air": "co2 voc pm25 pm10",
        "light": "lux illuminance brightness",
        "speed": "rpm speed",
    }.items()
    for word in words.split()
}
"""Names of numbers that are neither amps nor watts."""
_COMMANDS: Final = frozenset({"set", "cmd", "command"})
_SIGN: Final = 2
"""Letters that a unit's sign has at most."""
_MOTION: Final = frozenset({"running", "run", "turns", "motor", "flow", "airflow"})
_PART: Final = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|[0-9]+")
_GLUED: Final = ("power", "current", "watts", "amps", "energy", "voltage", "temperature", "frequency", "humidity")
"""Words that are often written together with what stands before them."""

MOST_AMPS: Final = 100.0
"""No tool of a small shop draws more, but for its inrush: a larger "current" is in milliampere. Common practice."""
LEAST_WATTS: Final = 50.0
"""No machine works with less, and none draws so many ampere: a larger number without a name is watts."""
MOST_KILOWATTS: Final = 10.0
"""A "power" that at work is no more than this is in kilowatts."""


class Certainty(Enum):
    """What it rests on that a number is taken for something."""

    NAME = auto()
    SIZE = auto()
    NONE = auto()


class Taken(NamedTuple):
    """What a number is taken for. `scale`: the factor to ampere or watts. `because`: the reason, for a person."""

    measure: Measure | None
    scale: float
    because: str
    certainty: Certainty
    other: str = ""
    """What it is by its name, where it is neither: `energy`, `voltage`."""


def taken_for(topic: str, pointer: str | None, at_work: float | None = None) -> Taken:
    """What a number is by its names, the nearest first; else, where it is known how large it is at work, by its size.

    `at_work`: as in the payload; None: it was not seen at work, and its size tells nothing.
    """
    for name, parts in _names(topic, pointer):
        what = next((_OTHER[part] for part in parts if part in _OTHER), None)
        if what is not None:
            return Taken(None, 1.0, f"its name says {shown(name)}: {what}", Certainty.NONE, what)
        for words, measure, scale in _BY_NAME:
            if not parts.isdisjoint(words.split()):
                return _sized(Taken(measure, scale, f"its name says {shown(name)}", Certainty.NAME), at_work)
    if at_work is None:
        return Taken(None, 1.0, "its name does not say what it measures", Certainty.NONE)
    large = at_work >= LEAST_WATTS
    much = "too much for amps" if large else "too little for watts"
    because = f"its name does not say, and {at_work:,.4g} at work is {much}"
    return Taken(Measure.WATTS if large else Measure.AMPS, 1.0, because, Certainty.SIZE)


def _sized(taken: Taken, at_work: float | None) -> Taken:
    """A named unit may still be its thousandth or its thousandfold."""
    if at_work is None or taken.scale != 1.0:
        return taken
    if taken.measure is Measure.AMPS and at_work > MOST_AMPS:
        why = f"{taken.because}, and {at_work:,.4g} at work is too much for amps: milliamps"
        return taken._replace(scale=0.001, because=why)
    if taken.measure is Measure.WATTS and 0 < at_work <= MOST_KILOWATTS:
        why = f"{taken.because}, and {at_work:,.3g} at work is too little for watts: kilowatts"
        return taken._replace(scale=1000.0, because=why)
    return taken


def is_command(topic: str) -> bool:
    """Whether a topic's last level says that a device is told something there."""
    return topic.rpartition("/")[2].casefold() in _COMMANDS


def is_motion(topic: str) -> bool:
    """Whether its name says that it tells of what turns or flows, and not of a switch."""
    return bool(_parts(topic.rpartition("/")[2]) & _MOTION)


def _names(topic: str, pointer: str | None) -> Iterable[tuple[str, frozenset[str]]]:
    """Names from the value outwards: the pointer's, then the topic's levels. Each with the words that it is made of."""
    inside = parse_pointer(pointer) if pointer else ()
    for name in (*reversed(inside), *reversed(topic.split("/"))):
        yield name, _parts(name)


@lru_cache(maxsize=8192)  # names are looked at anew for each message that may tell more
def _parts(name: str) -> frozenset[str]:
    """The words of a name; a unit's sign of one or two letters only at its end: `power_w`, but `phase_a_power`."""
    whole = [part.casefold() for part in re.findall("[A-Za-z0-9]+", name)]
    parts = [part.casefold() for part in _PART.findall(name)]
    glued = {word for part in parts for word in _GLUED if part.endswith(word)}
    signs = {*whole[-1:], *[part for part in parts if not re.search("[0-9]", name)][-1:]}  # 3fb13a is no ampere
    return frozenset({part for part in (*whole, *parts) if len(part) > _SIGN} | glued | signs)


_PAIRS: Final = (
    *(("on", "off"), ("1", "0"), ("true", "false"), ("yes", "no"), ("high", "low")),
    *(("active", "inactive"), ("active", "clear"), ("active", "idle"), ("alarm", "ok"), ("alarm", "clear")),
    *(("running", "idle"), ("running", "off"), ("running", "stopped"), ("run", "stop"), ("started", "stopped")),
    *(("open", "shut"), ("open", "closed"), ("opened", "closed"), ("pressed", "released")),
)
"""Words that mean on, and what says the contrary. Common practice, no published source."""


def on_and_off(words: Sequence[str]) -> tuple[str, str] | None:
    """Which of two words means on (open, active) and which off, as far as words tell; None: they do not."""
    by_text = {word.casefold(): word for word in words}
    if len(by_text) != 2 or len(words) != 2:  # noqa: PLR2004 - a pair
        return None
    for on, off in _PAIRS:
        if by_text.keys() == {on, off}:
            return by_text[on], by_text[off]
    return None


def sensor_key(measure: Measure) -> str:
    """The key of a tool's or a collector's table that holds such a sensor."""
    from gatehand.config.signals import SENSORS  # the models are heavy

    return next(key for key, measured in SENSORS.items() if measured is measure)


def threshold_keys(measure: Measure) -> tuple[str, str] | None:
    """The keys of its start and stop threshold; a contact has none."""
    return None if measure is Measure.RUNNING else (f"start_{measure}", f"stop_{measure}")


def fitting_silent_after(rhythm: "Rhythm") -> float:
    """The `silent_after` that is proposed for a meter of this rhythm, seconds: the default, where that bears it."""
    from gatehand.config.tables import SILENT_AFTER  # the models are heavy
    from gatehand.rhythm import enough

    return max(SILENT_AFTER, enough(rhythm)) if rhythm.steady else 0.0


def source(topic: str, pointer: str | None = None, scale: float = 1.0, **words: str) -> str:
    """A signal as the config writes it: `{ topic = "shop/saw", pointer = "/amps" }`.

    `words`: `on`, `off`, `active`, `clear`, `open`, `shut`, `pressed`, `released`, as its kind of signal wants.
    """
    parts = [f"topic = {toml_text(topic)}"]
    if pointer is not None:
        parts.append(f"pointer = {toml_text(pointer)}")
    if scale != 1.0:
        parts.append(f"scale = {scale:.12g}")
    parts += [f"{key} = {toml_text(word)}" for key, word in words.items()]
    return f"{{ {', '.join(parts)} }}"


def config_line(signal: "HeardSignal", at_work: float | None = None) -> str | None:
    """The line that the config takes it by: as a tool's sensor, a gate's position, a switch's report.

    None: it is none of them, too little is known of it, or no config can name its topic.
    """
    topic, pointer = signal.topic, signal.pointer
    if not can_be_named(topic):
        return None
    if signal.kind == "number":
        taken = taken_for(topic, pointer, at_work)
        if taken.measure is not None:
            return f"{sensor_key(taken.measure)} = {source(topic, pointer, taken.scale)}"
        if taken.other:
            return None
    words = on_and_off(tuple(signal.words)) if signal.few_values else None
    if words is None or is_command(topic):
        return None
    first, second = words
    names = {word.casefold() for word in words}
    if "open" in names or "opened" in names:
        return f"state = {source(topic, pointer, open=first, shut=second)}"
    if "state" in _parts(topic.rpartition("/")[2]) and "on" in names:
        return f"state = {source(topic, pointer, on=first, off=second)}"
    return f"running = {source(topic, pointer, active=first, clear=second)}"


_PLAIN_WORD: Final = re.compile(r"[^\W\d][\w .-]{0,23}")


def contact_line(signal: "HeardSignal") -> str | None:
    """The line that takes a signal of two words, of which one could mean that a tool runs; None: it is not such a one.

    Which of two unknown words means it nobody can tell: the one that came last.
    """
    two = tuple(signal.words)
    fits = signal.kind == "word" and signal.few_values and len(two) == 2  # noqa: PLR2004 - a pair
    if not fits or is_command(signal.topic) or not can_be_named(signal.topic) or "state" in _parts(signal.topic):
        return None
    names = {word.casefold() for word in two}
    if on_and_off(two) is None:
        if not all(_PLAIN_WORD.fullmatch(word) for word in two):
            return None
        active, clear = reversed(two)
    elif names == {"open", "closed"}:
        active, clear = sorted(two, key=lambda word: word.casefold() != "closed")
    else:
        return None
    return f"running = {source(signal.topic, signal.pointer, active=active, clear=clear)}"


def can_be_named(topic: str) -> bool:
    """Whether a config takes a topic: no control characters, not too many levels."""
    from gatehand.config.values import topic as checked  # the models are heavy

    try:
        checked(topic)
    except ValueError:
        return False
    return True


def table_name(name: str) -> str:
    """A name as a person says it, as a table's name: `band saw` is `band_saw`."""
    made = re.sub("[^A-Za-z0-9_-]+", "_", name.strip().casefold()).strip("_")[:64]
    return made if re.fullmatch(NAME, made) else "tool"


@dataclass(frozen=True, slots=True)
class Known:
    """What a config says of topics."""

    uses: Mapping[tuple[str, str | None], tuple[str, ...]]
    """By topic and pointer of what is heard: `tool.band_saw current`."""
    commands: Mapping[str, tuple[str, ...]]
    """By topic on which a device is told something: `gate.band_saw command`."""
    is_own: Callable[[str], bool]
    """Whether the daemon itself speaks on a topic, or is spoken to there."""

    def leave_out(self, topic: str) -> bool:
        """Whether nothing of it can be a sensor: it is the daemon's own, or a device is told something there."""
        return self.is_own(topic) or topic in self.commands

    def uses_topic(self, topic: str) -> bool:
        """Whether anything of it is used."""
        return topic in self.commands or any(topic == one for one, _ in self.uses)


def known(config: "Config | None", base: str) -> Known:
    """What this config, or no config but the daemon's base topic, says."""
    roots = [base]
    uses: dict[tuple[str, str | None], tuple[str, ...]] = {}
    commands: dict[str, tuple[str, ...]] = {}
    if config is not None:
        from gatehand.homie.description import root

        roots.append(root(config))
        for signal in config.signals():
            name = f"{signal.kind}.{signal.name}" + ("" if signal.is_stop else f" {signal.key}")
            if signal.heard is None:
                commands[signal.topic] = (*commands.get(signal.topic, ()), name)
            else:
                at = (signal.topic, signal.heard.pointer)
                uses[at] = (*uses.get(at, ()), name)
            if signal.poll is not None:
                commands[signal.poll.topic] = (*commands.get(signal.poll.topic, ()), f"{name} poll")
    below = tuple(f"{each}/" for each in roots)
    return Known(uses, commands, lambda topic: topic.startswith(below) or topic in roots)
