"""Stands in for MicroPython's `machine`: pins, PWM, converter, timer, watchdog, as far as the boards use them."""

from world import WORLD

PWRON_RESET = 1
WDT_RESET = 3
LOOK_US = 1


class Reset(BaseException):
    """`machine.reset()`, or a watchdog that was not fed: the board begins anew."""


class Pin:
    """A pin of a number; an input reads 1 where nobody has pulled it down."""

    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2

    def __init__(self, number, mode=-1, pull=-1, value=None):
        self.number = number
        if mode == Pin.OUT:
            WORLD.act("pin", number, value or 0)

    def value(self, value=None):
        """Read it, or set it."""
        if value is None:
            WORLD.look(LOOK_US)
            return WORLD.outputs.get(("pin", self.number), WORLD.inputs.get(self.number, 1))
        WORLD.act("pin", self.number, value)
        return None

    def __call__(self, value=None):
        """The same."""
        return self.value(value)


class PWM:
    """Pulses on a pin; 0 nanoseconds or `deinit`: none."""

    def __init__(self, pin, freq=0, duty_u16=None, duty_ns=None):
        self.number = pin.number
        self._freq = freq
        if duty_ns is not None:
            self.duty_ns(duty_ns)

    def freq(self, freq=None):
        """Pulses a second."""
        if freq is None:
            return self._freq
        self._freq = freq
        return None

    def duty_ns(self, nanoseconds):
        """The pulse's length."""
        WORLD.act("pwm", self.number, nanoseconds)

    def deinit(self):
        """No pulses any more."""
        WORLD.act("pwm", self.number, 0)


class ADC:
    """A converter."""

    def __init__(self, pin):
        self.number = pin.number

    def read_u16(self):
        """0 to 65535."""
        WORLD.look(WORLD.convert_us)
        wave = WORLD.waves.get(self.number)
        return 32768 if wave is None else wave(WORLD.us())


class Timer:
    """A hardware timer: its callback comes whatever the loop does."""

    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, number=-1):
        self.number = number
        self.due_us = None
        WORLD.timers.append(self)

    def init(self, mode=PERIODIC, period=-1, callback=None):
        """Arm it, anew where it is armed already."""
        self._callback = callback
        self._period_us = period * 1000 if mode == Timer.PERIODIC else None
        self.due_us = WORLD.us() + period * 1000
        WORLD.armed(self.number, period)

    def deinit(self):
        """Disarm it."""
        self.due_us = None
        WORLD.armed(self.number, 0)

    def fire(self):
        """It is due."""
        self.due_us = None if self._period_us is None else self.due_us + self._period_us
        self._callback(self)


class WDT:
    """A watchdog, which nothing stops once it is started."""

    def __init__(self, id=0, timeout=5000):
        self._timeout_us = timeout * 1000
        self.due_us = WORLD.us() + self._timeout_us
        WORLD.timers.append(self)
        WORLD.watchdog = self
        WORLD.armed(None, timeout)

    def feed(self):
        """So long again."""
        self.due_us = WORLD.us() + self._timeout_us

    def fire(self):
        """It was not fed."""
        self.due_us = None
        WORLD.reset("watchdog")
        raise Reset


def reset():
    """Begin anew."""
    WORLD.reset("asked")
    raise Reset


def reset_cause():
    """Why it began."""
    return WORLD.cause


def unique_id():
    """Of this board."""
    return b"\x01\x02\x03\x04"
