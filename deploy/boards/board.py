"""What every board does, whatever its role: the loop, the watchdog, the uptime, the console, the lamp.

`start` reads settings.json and runs the role that it names. Nothing in here waits: each turn of the loop does the
role's duty first, then what is due on the network (`link`), then feeds the watchdog.
"""

import gc
import json
import sys
import time

import machine
from link import Link
from settings import FILE, Settings, Signal, WrongSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

PACE_MS = 10
"""One turn of the loop, unless something comes from the broker: inputs are looked at as often."""
WATCHDOG_MS = 8000
"""Some boards can count no further than 8.3 s."""
WATCHDOG_LEAST_MS = 1000
COLLECT_MS = 2000
CONSOLE_MS = 150
CONSOLE_AGAIN_MS = 60000
"""A line that takes so long is not fetched (a computer holds the USB open and reads nothing): then none for a while."""
ROLES = ("gate", "switch", "sensor", "contact")


class Uptime:
    """Milliseconds since power-up, carried over the wrap of the tick (30 bits: every 12 days)."""

    def __init__(self) -> None:
        self.now = 0
        self._tick = time.ticks_ms()

    def read(self) -> int:
        """The time now."""
        tick = time.ticks_ms()
        self.now += time.ticks_diff(tick, self._tick)
        self._tick = tick
        return self.now


class Role:
    """What a board is for. A role reads and drives its pins in `tick`, and is told of what comes from the broker.

    Each program of a role has `make(settings)`, which gives its `Role`; its outputs are off from the first line on.
    """

    NAME = ""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.say: Callable[..., bool] = _nothing
        """say(topic, payload, retain=False, qos=0): now or never; False: nobody hears, and nothing is kept."""
        self.hears: dict[str, Callable[[bytes, bool, int], None]] = {}
        """Topic -> what is called with a payload, whether it was retained, and the time."""
        self.signals: dict[str, Signal] = {}
        """By the last level that they are known under in `about`."""
        self.facts: dict[str, Any] = {}
        """What `about` says besides."""

    def tick(self, now: int, link: Link) -> None:
        """Its duty, once in each turn of the loop. `link.up`: the broker hears us; `link.behind`: maybe late."""

    def greet(self, now: int) -> None:
        """A connection stands: say how things are now. Nothing from before it is told."""

    def safe(self) -> None:
        """Outputs off: the program ends."""


def _nothing(*_args: object, **_more: object) -> bool:
    return False


_slow_at: "Any" = None


def log(text: str) -> None:
    """A line on the console, where it does not hold the loop up: MicroPython waits half a second for each piece."""
    global _slow_at  # noqa: PLW0603
    began = time.ticks_ms()
    if _slow_at is None or not 0 <= time.ticks_diff(began, _slow_at) < CONSOLE_AGAIN_MS:
        print("%s %s" % (began, text))
        _slow_at = began if time.ticks_diff(time.ticks_ms(), began) > CONSOLE_MS else None


def run(role: Role, link: Link, uptime: Uptime, watchdog_ms: int, led: "machine.Pin | None" = None) -> None:
    """The loop."""
    watchdog = machine.WDT(timeout=watchdog_ms) if watchdog_ms else None
    link.serve(role)
    collected = 0
    lit = False
    while True:
        now = link.now = uptime.read()
        role.tick(now, link)
        link.tick(now)
        if watchdog is not None:
            watchdog.feed()
        if led is not None and link.up != lit:
            lit = link.up
            led.value(int(lit))
        if now - collected >= COLLECT_MS:
            gc.collect()
            collected = now
        if not link.rest(PACE_MS):
            time.sleep_ms(PACE_MS)


def start(file: str = FILE) -> None:
    """Run what the settings say, until the power goes. A fault of the program switches off and begins anew."""
    uptime = Uptime()
    role = link = None
    try:
        try:
            role, link, watchdog_ms, led = _made(file)
        except (WrongSettings, OSError) as error:
            while True:  # a person has to mend it; nothing is switched
                log(str(error))
                time.sleep(10)
        run(role, link, uptime, watchdog_ms, led)
    except Exception as error:  # noqa: BLE001  # whatever it is: off first
        try:
            _stop(role, link, uptime)
            sys.print_exception(error)  # type: ignore[attr-defined]  # MicroPython's own
            time.sleep_ms(1000)
        except Exception:  # noqa: BLE001, S110  # no memory for a farewell, say: it begins anew all the same
            pass
        machine.reset()
    finally:
        _stop(role, link, uptime)


def _stop(role: Role | None, link: Link | None, uptime: Uptime) -> None:
    """Outputs off first, then a word to whoever listens."""
    try:
        if role is not None:
            role.safe()
    finally:
        if link is not None:
            link.leave(uptime.now)


def _made(file: str) -> "tuple[Role, Link, int, machine.Pin | None]":
    """The role, its link, the watchdog's time, the lamp. Only the program of its own role is loaded."""
    with open(file) as opened:
        try:
            table = json.load(opened)
        except ValueError:
            raise WrongSettings("%s: this is no JSON: a comma or a quote is missing or too many" % file)
    if not isinstance(table, dict):
        raise WrongSettings("%s: wanted one table, in { and }" % file)
    settings = Settings(table, file)
    name = settings.need("role", str)
    if name not in ROLES:
        raise WrongSettings("%s: role is %r; wanted one of %s" % (file, name, ", ".join(ROLES)))
    # The role first: its outputs are off before anything else is looked at.
    try:
        program = __import__(name)
    except ImportError as error:
        raise WrongSettings("%s: role is %r, and a program for it is not on this board: %s" % (file, name, error))
    role = program.make(settings)
    hardware = settings.table("hardware")
    watchdog_ms = hardware.get("watchdog_ms", int, WATCHDOG_MS)
    if watchdog_ms and not WATCHDOG_LEAST_MS <= watchdog_ms <= WATCHDOG_MS:
        raise WrongSettings(
            "%s: watchdog_ms is %d; wanted %d to %d, or 0 for none while the board lies on the bench"
            % (hardware.where, watchdog_ms, WATCHDOG_LEAST_MS, WATCHDOG_MS)
        )
    number = hardware.get("led", int)
    led = None
    if number is not None:
        try:
            led = machine.Pin(number, machine.Pin.OUT, value=0)
        except ValueError:
            raise WrongSettings("%s: led is %d; this board has no such pin" % (hardware.where, number))
    return role, Link(settings, log), watchdog_ms, led
