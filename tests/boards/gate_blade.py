"""A gate for the tests of its program: its settings, and the blade that its servo moves, as a thing of its own."""

from collections.abc import Sequence
from typing import Any

from role_bench import Bench, Done, Said

Moved = tuple[list[Said], list[Done]]
SERVO, BUTTON, OPEN_SWITCH, SHUT_SWITCH = 15, 14, 12, 13
SET, STATE, POLL, PRESS = (f"shop/gate/band_saw/{last}" for last in ("set", "state", "ask", "button"))


def settings(**hardware: Any) -> dict[str, Any]:  # noqa: ANN401
    """Of a gate with a servo and a travel of 1.5 s. `hardware`: what is else; a pin for a button brings its topic."""
    whole: dict[str, Any] = {
        "role": "gate",
        "name": "band_saw",
        "set": {"topic": SET, "open": "open", "shut": "shut"},
        "state": {"topic": STATE, "open": "open", "shut": "shut", "poll": {"topic": POLL, "payload": "?"}},
        "travel_ms": 1500,
        "hardware": {
            "servo": SERVO,
            "open_angle": 90,
            "shut_angle": 0,
            "degrees_per_s": 120,
            "pulse_us": [500, 2500],
            "settle_ms": 200,
            "button": None,
            "open_switch": None,
            "shut_switch": None,
            **hardware,
        },
    }
    if hardware.get("button") is not None:
        whole["button"] = {"topic": PRESS, "pressed": "1"}
    return whole


def switched_on(whole: dict[str, Any], held: Sequence[int] = ()) -> Bench:
    """A gate's board half a second after power-up, with these pins pulled down; the broker hears it."""
    bench = Bench("gate", whole, lambda world: world.inputs.update(dict.fromkeys(held, 0)))
    bench.go(500)
    bench.connect()
    return bench


class Blade:
    """A blade and its servo: it follows the pulses at a pace that the settings allow and no faster, and holds without.

    Each end switch closes within a degree of its end. A hand moves the blade while there are no pulses.
    """

    NEAR = 1.0

    def __init__(self, bench: Bench, angle: float) -> None:
        self.bench = bench
        self.angle = angle
        self.jammed = False
        self.broken: set[int] = set()
        """Pins of end switches whose wire is broken: they read open."""
        self.was: list[tuple[int, float]] = []
        """Where it was at the end of each turn: milliseconds, degrees."""
        self.longest_ms = 0
        self.show()

    def turn(self, milliseconds: int) -> None:
        """The board's loop takes so long for a turn; the blade goes on meanwhile."""
        self.bench.freeze(milliseconds)
        pulse = self.bench.output(SERVO, "pwm")
        if pulse and not self.jammed:
            way = (pulse / 1000 - 500) / 2000 * 180 - self.angle
            most = 120 * milliseconds / 1000
            self.angle += max(-most, min(most, way))
        self.longest_ms = max(self.longest_ms, milliseconds)
        self.show()
        self.was.append((self.bench.ms, self.angle))
        self.bench.role.tick(self.bench.ms, self.bench.link)

    def hand(self, angle: float) -> None:
        """A hand moves it, unless the servo holds it."""
        if not self.bench.output(SERVO, "pwm"):
            self.angle = angle
            self.show()

    def show(self) -> None:
        """To the end switches."""
        for pin, end in ((OPEN_SWITCH, 90), (SHUT_SWITCH, 0)):
            closed = abs(self.angle - end) <= self.NEAR and pin not in self.broken
            self.bench.pin(pin, 0 if closed else 1)

    def was_at(self, end: float, within_ms: int) -> bool:
        """Whether it was at that end at some time of the last milliseconds."""
        return any(abs(angle - end) <= self.NEAR for at, angle in self.was if at >= self.bench.ms - within_ms)
