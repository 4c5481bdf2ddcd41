"""What is asked of a meter: its unit, and from where on its tool runs or its motor turns."""

from collections.abc import Mapping
from typing import Final

from gatehand.first_config import questions as q
from gatehand.first_config.boards import Board
from gatehand.first_config.choices import Choice, Wanted, find, levels, motors, three
from gatehand.first_config.draft import Device
from gatehand.first_config.questions import SignalAnswer
from gatehand.first_config.steps import Ask, Steps, Try
from gatehand.first_config.trials import Moved
from gatehand.listening.roles import sensor_key, taken_for, threshold_keys
from gatehand.text import listed, shown
from gatehand_rules.words import Measure

UNITS: Final[Mapping[str, tuple[Measure, float]]] = {
    "A": (Measure.AMPS, 1.0),
    "mA": (Measure.AMPS, 0.001),
    "W": (Measure.WATTS, 1.0),
    "kW": (Measure.WATTS, 1000.0),
}
_STOP_SHARE: Final = 0.7


def motor(its: Device, trial: Try, board: Board | None = None) -> Steps[None]:
    """What measures the collector's motor; `board`: its clamp does."""
    own = None if board is None else board.signal("amps")
    only = None if own is None else own.topic
    used = frozenset(topic for topic, _ in its.taken)
    text = f"Which of them says that the motor of the {its.the} turns? (none: nothing does)"
    signal = Wanted(
        f"{its.key}.motor",
        text,
        ("active", "clear"),
        "on",
        lambda found: motors([one for one in found if only is None or one.topic == only], used),
        may_lack=True,
        levels=True,
    )
    choice = yield from find(trial, signal)
    if choice.signal is None:
        return
    if choice.signal.words:
        its.table.add("running", choice.signal, signal.seen(choice.moved))
        return
    if own is not None:
        unit, answer = Measure.AMPS, own
    else:
        unit, answer = yield from _unit(f"{its.key}.motor_unit", choice)
    start, _ = _proposed(choice.moved, answer.scale)
    text = f"At or above how many {unit} does the motor turn?"
    turns: float = yield Ask(f"{its.key}.turns_at", text, q.positive, None if start is None else three(start))
    its.table.add(sensor_key(unit), answer)
    its.table.add(f"running_{unit}", turns, levels(choice.moved, unit, answer.scale) or "as answered")


def thresholds(its: Device, choice: Choice, board: Board | None) -> Steps[None]:
    """A tool's meter: its unit, and from where on it runs."""
    moved, own = choice.moved, None if board is None else board.signal("amps")
    if own is not None:
        unit, answer = Measure.AMPS, own
    else:
        unit, answer = yield from _unit(f"{its.key}.unit", choice)
    start, stop = _proposed(moved, answer.scale)
    seen = levels(moved, unit, answer.scale)
    text = f"At or above how many {unit} is the {its.the} running?{f' ({seen})' if seen else ''}"
    chosen: float = yield Ask(f"{its.key}.start", text, q.positive, None if start is None else three(start))
    ends = chosen * (_STOP_SHARE if start is None or stop is None else stop / start)
    unsure = "" if moved is None or not moved.wanting else f"{moved.wanting}; gatehand tune weighs it later"
    start_key, stop_key = threshold_keys(unit) or ("", "")
    its.table.add(sensor_key(unit), answer)
    its.table.add(start_key, chosen, seen or "as answered")
    its.table.add(stop_key, float(three(ends)), unsure)


def _proposed(moved: Moved | None, scale: float) -> tuple[float | None, float | None]:
    """Thresholds, by this scale: they were worked out by the one that its name or size tells."""
    if moved is None or moved.start is None or moved.stop is None:
        return None, None
    return moved.start * scale / moved.scale, moved.stop * scale / moved.scale


def _unit(key: str, choice: Choice) -> Steps[tuple[Measure, SignalAnswer]]:
    """What a meter measures, and the signal with the scale to it."""
    moved, signal = choice.moved, choice.signal or SignalAnswer("")
    if moved is not None:
        measure, scale, named = moved.measure, moved.scale, moved.named
    else:  # it was typed: its name may tell
        measure, scale, named, *_ = taken_for(signal.topic, signal.pointer)
    suggestion = next((name for name, unit in UNITS.items() if unit == (measure, scale)), None)
    why = f" ({named})" if named else ""
    name: str = yield Ask(key, f"Is its number in A, mA, W or kW?{why}", _unit_name, suggestion)
    unit, factor = UNITS[name]
    return unit, SignalAnswer(signal.topic, signal.pointer, {}, factor)


def _unit_name(raw: q.Raw) -> str:
    said = str(raw).strip()
    found = {each.casefold(): each for each in UNITS}.get(said.casefold())
    if found is None:
        raise q.BadAnswerError(f"found {shown(said)}; wanted {listed(UNITS)}")
    return found
