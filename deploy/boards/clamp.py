"""A current clamp at a converter: samples in bursts, what a burst comes to, and what of it is sent.

The clamp's alternating voltage, across its burden, stands on a bias of about half the supply; a sensor that gives such
a voltage by itself will do as well. The clock comes from outside. Nothing measured is kept: what cannot be said at once
is measured anew, and what is not known is not said, least of all as 0, which would mean that the machine stands still.
What no input can tell: a clamp that is unplugged behind its bias reads as no current.
"""

import json
from array import array

import board
from machine import ADC, Pin
from rms import COMMON_US, HIGHEST_HZ, LOWEST_HZ, find_period, measure, without_noise
from settings import WrongSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import Any

    from link import Link
    from rms import Measured
    from settings import Settings, Signal

PACE_US = 180
SCATTER = 31
"""Between two samples: 180 to 211 us, each time another, so that they never keep step with the mains and a step in the
wave lies each time elsewhere between two of them. In the mean 102 in a cycle of 50 Hz, 85 at 60 Hz."""
CYCLES = 10
SPARE_US = 3000
FIRST_US = 205000
"""A burst while the frequency is not known: ten cycles even at 49.5 Hz."""
ROOM = 1160
"""Samples: ten cycles of 45 Hz and what is spare. Six bytes each."""
ENOUGH = 60
"""Samples in a cycle with which the RMS of a wave with a step, as of a dimmer, is right within 2 %. A sine: 10."""
REST_MS = 60
"""Between two bursts, for the network."""
STALE_MS = 2000
"""An older reading is never sent."""
WRAP = (1 << 30) - 1
"""The microseconds count up to here, then from 0."""
FAILED = 10


class Burst:
    """Samples of a converter with their times, and the mains' period where it is known.

    Args:
        hardware: the clamp's own part of settings.json.
        ticks_us: microseconds that begin anew at 2**30 or at a multiple of it; None: the board's.
    """

    def __init__(self, hardware: "Settings", ticks_us: "Callable[[], int] | None" = None) -> None:
        self._ticks = board.time.ticks_us if ticks_us is None else ticks_us  # type: ignore[attr-defined]
        number = hardware.need("adc", int)
        try:
            self._converter = ADC(Pin(number))
        except (ValueError, TypeError):
            raise WrongSettings("%s: adc is %d; this board measures nothing at that pin" % (hardware.where, number))
        if hasattr(ADC, "ATTN_11DB"):
            # Some converters reach no further than a volt unless this is set.
            self._converter.atten(ADC.ATTN_11DB)
        self.full_scale = positive(hardware, "full_scale_volts", 3.3)
        """Volts that read 65535."""
        hz = hardware.get("line_hz", float)
        if hz is not None and not LOWEST_HZ <= hz <= HIGHEST_HZ:
            raise WrongSettings("%s: line_hz is %s; wanted 50, 60, or null: it is found" % (hardware.where, hz))
        self.fixed = hz is not None
        self.period_us = 0 if hz is None else round(1000000 / hz)
        """One cycle of the mains; 0: not known yet."""
        self._values = array("H", bytes(2 * ROOM))
        self._times = array("I", bytes(4 * ROOM))
        self._count = 0
        self._start = 0
        self.why = ""
        """What the converter said when it could not be read, as some cannot while the Wi-Fi is on."""

    def take(self) -> None:
        """Sample ten cycles: 167 ms at 60 Hz, 200 ms at 50 Hz, 225 ms at most. Makes no object on the heap."""
        ticks, read, values, times = self._ticks, self._converter.read_u16, self._values, self._times
        length = self.period_us * CYCLES + SPARE_US if self.period_us else FIRST_US
        start = self._start = ticks()
        count = due = 0
        try:
            while count < ROOM:
                now = (ticks() - start) & WRAP
                if now < due:
                    continue
                if now > length:
                    break
                values[count] = read()
                times[count] = now
                count += 1
                due = now + PACE_US + (count * 13 & SCATTER)
            self.why = ""
        except OSError as error:
            self.why = "the converter cannot be read (%s); some cannot while the Wi-Fi is on: take another pin" % error
            count = 0
        self._count = count

    def find(self) -> bool:
        """Look for the mains in what was sampled; whether it was not known before."""
        if self.fixed:
            return False
        found = find_period(self.values, self._seen(self._times))
        new = bool(found) and not self.period_us
        self.period_us = found or self.period_us
        return new

    def measured(self) -> "Measured | None":
        """What the burst comes to; None: too few whole cycles without a gap."""
        return measure(self.values, self._seen(self._times), self.period_us or COMMON_US)

    @property
    def values(self) -> "Sequence[int]":
        """The samples, 0 to 65535, until the next burst."""
        return self._seen(self._values)

    @property
    def spacing_us(self) -> float:
        """Between two samples, in the mean."""
        return self._times[self._count - 1] / max(self._count - 1, 1) if self._count else 0.0

    def since_us(self) -> int:
        """Since the burst began; of use within a quarter of an hour of it."""
        return (self._ticks() - self._start) & WRAP

    def volts(self, counts: float) -> float:
        """Counts of the converter as volts at its input."""
        return counts * self.full_scale / 65535

    def _seen(self, room: "array[int]") -> "Sequence[int]":
        return memoryview(room)[: self._count]


class Clamp:
    """Measures one current again and again, and says it: on a change beyond the dead band, and at a steady rhythm.

    Args:
        hardware: the clamp's own part of settings.json.
        signal: what to say it on; `scale` and, with a path, `at` belong to it.
        ticks_us: as for `Burst`.

    Raises:
        WrongSettings: the part is incomplete; a clamp that was never calibrated has no number that is right.
    """

    def __init__(self, hardware: "Settings", signal: "Signal", ticks_us: "Callable[[], int] | None" = None) -> None:
        if hardware.get("amps_per_volt", float) is None:
            raise WrongSettings(
                "%s: amps_per_volt is missing; calibrate.py finds it, at the board's console" % hardware.where
            )
        self._amps_per_volt = positive(hardware, "amps_per_volt", 1.0)
        self._scale = positive(signal.settings, "scale", 1.0)
        self._deadband = hardware.get("deadband", float, 0.1)
        self._every_ms = hardware.get("every_ms", int, 1000)
        if not 0 <= self._deadband < 1000 or self._every_ms < 200:
            raise WrongSettings("%s: wanted a deadband of 0 or more, every_ms of 200 or more" % hardware.where)
        self._noise = hardware.get("noise", float, 0.0)
        self._wanted_zero = hardware.get("zero", float)
        self._burst = Burst(hardware, ticks_us)
        self._signal = signal
        self._at = signal.settings.get("at", list)
        self._digits = _digits(self._scale)
        self.zero = self._wanted_zero
        """Volts of the bias: as calibrated, or learnt, a sixteenth with each burst; None: nothing measured yet."""
        self.facts: dict[str, Any] = {}
        """What `about` says of it."""
        self._do: Callable[[int, Callable[..., bool]], None] = self._take
        self._due = self._began = 0
        self._sent: float | None = None
        self._sent_at = 0
        self._n = 0
        self._failed = 0
        self._fault = ""
        self._tried = self._introduced = self._clipped = False

    def ask(self) -> None:
        """What is measured from now on is said, changed or not; what is being measured is not."""
        self._sent = None
        self._do = self._take

    def tick(self, now: int, link: "Link", say: "Callable[..., bool]") -> None:
        """One step: sample (225 ms at most), look for the mains, or work it out and say it.

        Without a broker it measures once, for the console; then it leaves the time to the network.
        """
        if not link.up:
            self._sent = None
        if link.behind or (self._tried and not link.up):
            self._do = self._take
        elif now >= self._due:
            self._do(now, say)

    def _take(self, now: int, _say: "Callable[..., bool]") -> None:
        self._began = now
        self._burst.take()
        self._do = self._find

    def _find(self, _now: int, _say: "Callable[..., bool]") -> None:
        if self._burst.find():
            self.facts["line_hz"] = round(1000000 / self._burst.period_us, 1)
            board.log("clamp: the mains has %.1f Hz" % self.facts["line_hz"])
        self._do = self._say

    def _say(self, now: int, say: "Callable[..., bool]") -> None:
        began_us = self._burst.since_us()
        measured = self._burst.measured()
        took_us = self._burst.since_us() - began_us
        self._do = self._take
        self._due = now + took_us // 1000 + REST_MS
        amps = self._judged(measured)
        self._tried = True
        if not self._introduced:
            self._introduce(took_us)
        if measured is None or amps is None:
            return
        at = self._began + measured.middle_us // 1000
        age = max(now - self._began, self._burst.since_us() // 1000) - measured.middle_us // 1000
        changed = self._sent is None or abs(amps - self._sent) > self._deadband
        if age > STALE_MS or not (changed or now - self._sent_at >= self._every_ms):
            return
        value = round(amps / self._scale, self._digits) if self._digits else int(amps / self._scale + 0.5)
        # At QoS 1, so that `link.behind` shows until it is there: never more than one reading is under way.
        if say(self._signal.topic, self._payload(value, at, self._n + 1), qos=1):
            self._n += 1
            self._sent = amps
            self._sent_at = now

    def _judged(self, measured: "Measured | None") -> "float | None":
        """Amps; None: not known, and the console says why, once for each time that it begins."""
        if measured is None:
            self._failed += 1
            if self._failed == FAILED:
                few = "too few samples without a gap (%.1f ms between two, 1 at most)" % (self._burst.spacing_us / 1000)
                board.log("clamp: %s: nothing is sent" % (self._burst.why or few))
            return None
        self._failed = 0
        burst = self._burst
        zero, eighth = burst.volts(measured.offset), burst.full_scale / 8
        wanted = burst.full_scale / 2 if self._wanted_zero is None else self._wanted_zero
        far = 3 * eighth if self._wanted_zero is None else eighth
        if abs(zero - wanted) > (far * 0.9 if self._fault else far):
            if not self._fault:
                self._fault = "the input stands at %.2f V; wanted about %.2f V" % (zero, wanted)
                board.log("clamp: %s: its bias or its plug is off; nothing is sent" % self._fault)
            return None
        if self._fault:
            self._fault = ""
            board.log("clamp: the input stands at %.2f V again" % zero)
        if self._wanted_zero is None:
            self.zero = zero if self.zero is None else self.zero + (zero - self.zero) / 16
        if measured.clipped and not self._clipped:
            self._clipped = self.facts["clipped"] = True
            board.log("clamp: the current is beyond the converter's range: it is at least what is sent")
        return without_noise(burst.volts(measured.rms), self._noise) * self._amps_per_volt

    def _introduce(self, took_us: int) -> None:
        """One line on the console, by which an owner sees whether his board is fast enough."""
        spacing = self._burst.spacing_us
        if self.zero is None or not spacing:
            return
        self._introduced = True
        self.facts["samples_per_cycle"] = int((self._burst.period_us or 20000) / spacing)
        board.log(
            "clamp: %d samples in a cycle at 50 Hz, %d at 60 Hz (%d are enough), worked out in %d ms; zero at %.3f V"
            % (20000 // spacing, 16667 // spacing, ENOUGH, took_us // 1000, self.zero)
        )

    def _payload(self, value: float, at: int, n: int) -> bytes:
        path = self._signal.path
        if not path:
            return json.dumps(value).encode()
        body: dict[str, Any] = {}
        if self._at:
            _put(body, path[:-1] + ["n"], n)
            _put(body, self._at, at)
        _put(body, path, value)
        return json.dumps(body).encode()


def positive(settings: "Settings", key: str, default: float) -> float:
    """A number above 0.

    Raises:
        WrongSettings: it is none.
    """
    found = settings.get(key, float, default)
    if not 0 < found < 1e9:
        raise WrongSettings("%s: %s is %s; wanted a number above 0" % (settings.where, key, found))
    return float(found)


def _digits(scale: float) -> int:
    """Digits after the point that show a thousandth of an ampere, at least whole numbers."""
    digits = 3
    while scale >= 10:
        scale, digits = scale / 10, digits + 1
    while scale <= 0.1 and digits:
        scale, digits = scale * 10, digits - 1
    return digits


def _put(body: "dict[str, Any]", path: "list[str]", value: "Any") -> None:
    for key in path[:-1]:
        body = body.setdefault(key, {})
    body[path[-1]] = value
