"""A sensor's board on a bench: a clamp around a current that a test sets; the clock goes when it is looked at."""

import json
import math
import random
from typing import Any

from role_bench import Bench

ADC = 26
AMPS_PER_VOLT = 20.0
TOPIC = "shop/sensor/band_saw/amps"
POLL = "shop/sensor/band_saw/poll"
SCALE_VOLTS = 3.3
POLL_US = 91
"""What one look at the clock takes: a slow board's loop."""


class Mains:
    """What the clamp gives: a sine on a bias, as counts; settable while the board runs."""

    def __init__(self, amps: float = 0.0, hz: float = 50.0) -> None:
        self.amps = amps
        self.hz = hz
        self.bias = SCALE_VOLTS / 2
        self.noise = 0.0
        """Volts RMS."""
        self._random = random.Random(1)

    def __call__(self, us: int) -> int:
        volts = self.bias + self.amps / AMPS_PER_VOLT * math.sqrt(2) * math.sin(2e-6 * math.pi * self.hz * us)
        if self.noise:
            volts += self._random.gauss(0, self.noise)
        return max(0, min(65535, round(volts / SCALE_VOLTS * 65535)))


class ClampBench(Bench):
    """A sensor; looking at the clock takes time, else no burst would end."""

    def __init__(self, settings: dict[str, Any], mains: Mains, *, offset_ms: int = 0, poll_us: int = POLL_US) -> None:
        self.poll_us = poll_us
        super().__init__("sensor", settings, lambda world: world.waves.update({ADC: mains}), offset_ms)

    def ticks_us(self) -> int:
        self.world.now_us += self.poll_us
        return super().ticks_us()

    def readings(self, since_ms: int = 0) -> list[dict[str, Any]]:
        """What was said, as JSON."""
        return [json.loads(word) for word in self.words(TOPIC, since_ms)]


def settings_of(hardware: dict[str, Any] | None = None, **amps: object) -> dict[str, Any]:
    """What `gatehand boards` writes for a sensor, as far as its role reads it."""
    return {
        "role": "sensor",
        "name": "band_saw",
        "hardware": {"adc": ADC, "amps_per_volt": AMPS_PER_VOLT, "watchdog_ms": 0, **(hardware or {})},
        "amps": {"topic": TOPIC, "path": ["amps"], "at": ["at"], "scale": 1.0, **amps},
    }


def started(mains: Mains, hardware: dict[str, Any] | None = None, **amps: object) -> ClampBench:
    """A sensor that the broker hears from the beginning on."""
    bench = ClampBench(settings_of(hardware, **amps), mains)
    bench.connect()
    return bench
