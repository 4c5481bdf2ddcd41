"""The collector's switch: a relay for the contactor's coil, with a limit that neither loop nor network can hold up.

`DeadMan` is all that may drive the relay. A timer looks at it every 50 ms, whatever the loop does, and switches it off
when the last "on" is older than the limit. It reads the clock itself, and nothing else in here may: what interrupts
the loop cannot be handed the time by it.
"""

import time

from board import Role, log
from inputs import Input
from machine import Pin, Timer
from settings import WrongSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from clamp import Clamp
    from link import Link
    from settings import Settings

BEAT_MS = 50
"""How often the timer looks: so much later than the limit, at most, the relay is off."""
DEAF_MS = 1000
"""A loop that stood still for longer may read old words next: for so long no "on" counts."""
FOLLOW_MS = 1000
"""So long a contactor may take to follow its coil: twenty times what one takes [from memory]."""
LONGEST_MS = 24 * 3600 * 1000
"""A longer limit is none; and the tick, which wraps, compares no more than six days."""
_kept: "list[Any]" = []
"""The timers, for ever: one that nobody refers to may be stopped by what collects memory."""


class DeadMan:
    """A relay that is off unless somebody asked for it less than `limit_ms` ago.

    Args:
        relay: the pin, off already.
        level: the level that switches on.
        limit_ms: how long one "on" lasts.
    """

    def __init__(self, relay: "Any", level: int, limit_ms: int) -> None:
        self.on = False
        self.lapsed = False
        """It went off because nobody asked any more; the loop takes it back when it has said so."""
        self.beat = False
        """The timer has looked; the loop takes it back."""
        self._relay = relay
        self._level = level
        self._idle = 1 - level
        self._limit_ms = limit_ms
        self._asked = time.ticks_ms()

    def ask(self) -> None:
        """On, for one limit from now."""
        # The time first, the relay last, so that a timer that comes between never finds it on with an old time.
        self._asked = time.ticks_ms()
        self.lapsed = False
        self.on = True
        self._relay.value(self._level)

    def off(self) -> None:
        """Off."""
        self._relay.value(self._idle)
        self.on = False

    def look(self, _timer: object = None) -> None:
        """What the timer calls, maybe in an interrupt: allocates nothing, and may come between any two lines above."""
        self.beat = True
        if self.on and time.ticks_diff(time.ticks_ms(), self._asked) >= self._limit_ms:
            self._relay.value(self._idle)
            self.on = False
            self.lapsed = True


class Switch(Role):
    """Switches on at a live "on", off at any "off", at its limit, and when its contactor has not followed."""

    NAME = "switch"

    def __init__(self, settings: "Settings") -> None:
        super().__init__(settings)
        hardware = settings.table("hardware")
        level = hardware.get("relay_on", int, 1)
        if level not in (0, 1):
            # Neither level is known to be off: the pin stays an input.
            raise WrongSettings(
                "%s: relay_on is %r; wanted 1 or 0, the level that switches on" % (hardware.where, level)
            )
        relay = _pin(hardware, "relay", Pin.OUT, value=1 - level)
        limit_ms = settings.get("limit_ms", int, 0)
        if not 0 < limit_ms <= LONGEST_MS:
            raise WrongSettings(
                "%s: limit_ms is %s; wanted 1 to %d: set refresh above 0 in the config and write the settings again"
                % (settings.where, limit_ms or "missing or 0", LONGEST_MS)
            )
        self._limit_ms = limit_ms
        self._commands(settings)
        self._state = settings.signal("state")
        self._contact = None
        if hardware.get("feedback", int) is not None:
            self._contact = Input(_pin(hardware, "feedback", Pin.IN, Pin.PULL_UP))
        self._report()
        self._clamp: Clamp | None = None
        self._measure(settings, hardware)
        self.facts["limit_ms"] = limit_ms
        self.facts["state_from"] = "relay" if self._contact is None else "contactor"
        self._until = 0
        self._switched_at = 0
        self._turn_at: int | None = None
        self._beat_at: int | None = None
        self._deaf_until = 0
        self._say_at: int | None = None
        self._noted = ""
        self._man = DeadMan(relay, level, limit_ms)
        self._timer = _timer(hardware, self._man.look)

    def tick(self, now: int, link: "Link") -> None:
        """Its duty, once in each turn of the loop."""
        self._standstill(now)
        man = self._man
        if man.beat:
            man.beat = False
            self._beat_at = now
        if man.on and now >= self._until:  # the timer's second
            man.off()
            man.lapsed = True
        if man.lapsed:
            man.lapsed = False
            self._switched(now)
            log("no '%s' for %g s: switched off" % (self._on.decode(), self._limit_ms / 1000))
        if not man.on:
            man.off()  # whatever came between two lines
        self._watch_contact(now)
        if self._say_at is not None and now >= self._say_at:
            self._say_state()
        if self._clamp is not None:
            self._clamp.tick(now, link, self.say)

    def greet(self, _now: int) -> None:
        """A connection stands."""
        self._say_state()
        if self._clamp is not None:
            self._clamp.ask()

    def safe(self) -> None:
        """Off: the program ends."""
        self._man.off()
        self._timer.deinit()

    def _commands(self, settings: "Settings") -> None:
        command = settings.signal("set")
        if command is None:
            raise WrongSettings("%s: set is missing; wanted a table" % settings.where)
        self._set_topic = command.topic
        self._on = command.word("on").encode()
        self._off = command.word("off").encode()
        if self._on == self._off:
            raise WrongSettings(
                "%s: on and off are one word, %r; wanted two" % (command.settings.where, command.word("on"))
            )
        self.signals["set"] = command
        self.hears[command.topic] = self._told

    def _report(self) -> None:
        state = self._state
        if state is None:
            return
        state.word("on"), state.word("off")
        self.signals["state"] = state
        if state.poll_topic is not None and state.poll_topic != self._set_topic:
            self.hears[state.poll_topic] = self._polled

    def _measure(self, settings: "Settings", hardware: "Settings") -> None:
        """The motor's clamp, whose program is loaded only where there is one and the config listens to it."""
        wired, amps = hardware.maybe("clamp"), settings.signal("amps")
        if wired is None:
            return
        if amps is None:
            log("%s: clamp is not used: the config has no current of this collector" % hardware.where)
            return
        from clamp import Clamp

        self._clamp = Clamp(wired, amps)
        self.facts = self._clamp.facts
        self.signals["amps"] = amps
        self._amps_poll = amps.poll_payload
        if amps.poll_topic is not None:
            self.hears[amps.poll_topic] = self._amps_polled

    def _standstill(self, now: int) -> None:
        if self._turn_at is not None and now - self._turn_at > DEAF_MS:
            self._deaf_until = now + DEAF_MS
        self._turn_at = now

    def _told(self, payload: bytes, retained: bool, now: int) -> None:
        """A word on the command's topic."""
        man = self._man
        if payload == self._off:
            if man.on:
                man.off()
                self._switched(now)
            self._say_soon(now)
        elif payload == self._on:
            why = self._refusal(retained, now)
            if why:
                self._note(why)
                return
            was_on = man.on
            man.ask()
            self._until = now + self._limit_ms
            if not was_on:
                self._switched(now)
            self._noted = ""
            self._say_soon(now)
        elif self._state is not None and self._state.poll_topic == self._set_topic and self._is_poll(payload):
            self._polled(payload, retained, now)
        else:
            self._note(
                "%s says %r; wanted '%s' or '%s': nothing is changed"
                % (self._set_topic, bytes(payload[:40]), self._on.decode(), self._off.decode())
            )

    def _refusal(self, retained: bool, now: int) -> str:
        """Why an "on" does not count; empty: it does."""
        if retained:
            return "the broker retains '%s' on %s: it does not count" % (self._on.decode(), self._set_topic)
        if now < self._deaf_until:
            return "'%s' right after the loop stood still may be old: it does not count" % self._on.decode()
        if not self._man.beat and (self._beat_at is None or now - self._beat_at > DEAF_MS):
            return "the timer of the limit does not run: no '%s' counts" % self._on.decode()
        return ""

    def _is_poll(self, payload: bytes) -> bool:
        return self._state is not None and self._state.poll_topic is not None and payload == self._state.poll_payload

    def _polled(self, payload: bytes, retained: bool, now: int) -> None:
        """Somebody asks for the state."""
        if self._is_poll(payload) and not retained:
            self._say_soon(now)

    def _amps_polled(self, payload: bytes, retained: bool, _now: int) -> None:
        if self._clamp is not None and payload == self._amps_poll and not retained:
            self._clamp.ask()

    def _watch_contact(self, now: int) -> None:
        contact = self._contact
        if contact is None:
            return
        if contact.changed(now):
            self._say_at = now
        if now - self._switched_at <= FOLLOW_MS:
            return
        if self._man.on and contact.closed is False:
            # A relay left on would start the motor when the stop is reset or the breaker is closed.
            self._man.off()
            self._switched(now)
            self._say_at = now
            log("the relay is on and the contactor is not (stop, overload, coil, wire?): switched off")
        elif not self._man.on and contact.closed:
            self._note("the relay is off and the contactor is on: it is welded, or somebody switched it on by hand")

    def _switched(self, now: int) -> None:
        """The relay has changed: a contact follows a little later, and is waited for."""
        self._switched_at = now
        self._say_at = now if self._contact is None else now + FOLLOW_MS

    def _say_soon(self, now: int) -> None:
        if self._say_at is None:
            self._say_at = now

    def _say_state(self) -> None:
        """What is seen: the contactor's contact where there is one, else the relay."""
        self._say_at = None
        on = self._man.on if self._contact is None else self._contact.closed
        if self._state is not None and on is not None:
            self.say(
                self._state.topic, self._state.payload(self._state.word("on" if on else "off")), retain=True, qos=1
            )

    def _note(self, text: str) -> None:
        """Onto the console, once."""
        if text != self._noted:
            self._noted = text
            log(text)


def _pin(hardware: "Settings", key: str, *how: int, **more: int) -> "Any":
    number = hardware.need(key, int)
    try:
        return Pin(number, *how, **more)
    except (ValueError, TypeError):
        raise WrongSettings("%s: %s is %d; this board has no such pin" % (hardware.where, key, number))


def _timer(hardware: "Settings", look: "Callable[[object], None]") -> "Any":
    """A timer that repeats: one that fires once may be lost in a full queue of calls, or fire as it is re-armed."""
    number, why = hardware.get("timer", int), ""
    for each in (0, -1) if number is None else (number,):
        timer = None
        # Straight from the interrupt where the port can; else between two steps of the interpreter.
        for more in ({"hard": True}, {}):
            try:
                timer = timer or Timer(each)
                timer.init(mode=Timer.PERIODIC, period=BEAT_MS, callback=look, **more)
                _kept.append(timer)
                return timer  # noqa: TRY300
            except (TypeError, ValueError, OSError, NotImplementedError) as error:
                why = str(error)
    raise WrongSettings(
        "%s: timer is %s; wanted the number of a timer that this board has, or null (%s)"
        % (hardware.where, "null" if number is None else number, why)
    )


def make(settings: "Settings") -> Switch:
    """The program of this role."""
    return Switch(settings)
