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
