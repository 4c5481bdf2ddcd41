"""Contacts and buttons, freed from their bounce: which pin each is on, whether it is closed, and what a press says.

It reads no clock: the time is handed in. What a contact means, and on which topic it is said, is its role's business.
"""

from machine import Pin
from settings import WrongSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from settings import Settings

SETTLE_MS = 30
"""A contact has settled when it has said the same for so long: ten times what a good button bounces [from memory]."""
STUCK_MS = 10000
"""Nobody presses a button for so long: it is jammed, or its wires touch."""
PRESSED = "pressed"
RELEASED = "released"
STUCK = "stuck"


class Input:
    """One contact between a pin and ground; the pin is pulled up, so that an open contact or a broken wire reads 1.

    `closed` is None until it has settled for the first time.
    """

    def __init__(self, pin: "Pin", settle_ms: int = SETTLE_MS) -> None:
        self.closed: bool | None = None
        self.changed_at = 0
        """When `closed` last changed, or first settled: the time at which the contact began to say so."""
        self._pin = pin
        self._settle_ms = settle_ms
        self._raw: bool | None = None
        self._raw_at = 0

    def changed(self, now: int) -> bool:
        """Look at the pin; whether the settled contact is another than before."""
        raw = self._pin.value() == 0
        if raw != self._raw:
            self._raw = raw
            self._raw_at = now
        if raw == self.closed or now - self._raw_at < self._settle_ms:
            return False
        self.closed = raw
        self.changed_at = self._raw_at
        return True


class Button:
    """A push button, normally open: each press is said once when it begins and once when it ends, now or never.

    Args:
        pin: pulled up; the button closes it to ground.
        say: is called with PRESSED, RELEASED or STUCK, and gives whether the broker hears it.

    A press that began before the board was switched on, or before the connection stood, is no press: nobody knows how
    old it is. Neither is its end told. One that lasts for over 10 s is a fault, which is said every 10 s as STUCK, and
    its end is not told either.
    """

    def __init__(self, pin: "Pin", say: "Callable[[str], bool]") -> None:
        self._input = Input(pin)
        self._say = say
        self._heard_since = 0
        self._told = False
        self._stuck_at = 0

    def greet(self, now: int) -> None:
        """A connection stands from now on."""
        self._heard_since = now
        self._told = False

    def tick(self, now: int) -> None:
        """Look at the button, and say what has happened."""
        was = self._input.closed
        if self._input.changed(now):
            self._stuck_at = self._input.changed_at + STUCK_MS
            if was is None:
                pass  # as it was found when the board was switched on
            elif self._input.closed:
                self._told = self._input.changed_at > self._heard_since and self._say(PRESSED)
            elif self._told:
                self._say(RELEASED)
        if self._input.closed and now > self._stuck_at:
            self._stuck_at = now + STUCK_MS
            self._told = False
            self._say(STUCK)


def input_pin(settings: "Settings", key: str, taken: "dict[int, str]") -> "Pin | None":
    """The pin that a setting names, pulled up; None: the setting is null.

    Args:
        settings: the table that has the setting.
        key: its name there.
        taken: the pins that are in use, by whom; this one is added.

    Raises:
        WrongSettings: two things on one pin, or a pin that this board does not have.
    """
    number = settings.get(key, int)
    if number is None:
        return None
    claim(settings, key, number, taken)
    try:
        return Pin(number, Pin.IN, Pin.PULL_UP)
    except (ValueError, TypeError):
        raise no_such_pin(settings, key, number)


def claim(settings: "Settings", key: str, number: int, taken: "dict[int, str]") -> None:
    """Take the pin for what the setting names; WrongSettings: something else has it."""
    if number in taken:
        raise WrongSettings("%s: %s and %s are both on pin %d" % (settings.where, taken[number], key, number))
    taken[number] = key


def no_such_pin(settings: "Settings", key: str, number: int) -> WrongSettings:
    """The error for a pin that this board does not have."""
    return WrongSettings("%s: %s is %d; this board has no such pin" % (settings.where, key, number))
