"""A blast gate: a hobby servo moves the blade, end switches tell where it stands, a button asks for air by hand.

The blade moves when a live command says so and never else: not at power-up, not by its own button, not for a command
that the broker had kept. What it says of the blade is what an end switch shows or, where there is none, what the time
of a whole travel allows. A gate that is moved by hand has end switches alone.
"""

import board
from board import Role
from inputs import PRESSED, STUCK, Button, Input, claim, input_pin, no_such_pin
from machine import PWM, Pin
from settings import Settings, Signal, WrongSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from link import Link

OPEN = "open"
SHUT = "shut"
MOVING = "moving"
UNKNOWN = "unknown"
"""Nobody knows where the blade stands: after power-up, or when a hand has moved it off its end switch."""
NOT_THERE = "stuck"
"""The blade was sent off and its end switch did not close in time; or both switches are closed, which cannot be."""
STEP_MS = 20
"""A hobby servo takes a new angle with each pulse, 50 a second."""
PULSES_A_SECOND = 50
HALF_TURN = 180
"""Degrees: `pulse_us` names the pulses at 0 and at so many."""
PULSES_US = (300, 3000)
"""Pulses beyond these are no hobby servo's [from memory]."""
LATE_MS = 60
"""So much later than the blade arrives is it told: a step, the settling of the end switch, a turn of the loop."""


class Servo:
    """The motor of the blade. There are pulses from the first step until `settle_ms` after the last, and none else.

    Without pulses a hobby servo is limp: it neither hums nor burns, and the blade's friction holds it.
    """

    def __init__(self, hardware: Settings, taken: "dict[int, str]") -> None:
        number = hardware.need("servo", int)
        claim(hardware, "servo", number, taken)
        try:
            self._pin = Pin(number, Pin.OUT, value=0)
        except (ValueError, TypeError):
            raise no_such_pin(hardware, "servo", number)
        self._pwm: PWM | None = None
        self.angles = {OPEN: _angle(hardware, "open_angle", 90), SHUT: _angle(hardware, "shut_angle", 0)}
        self._span = abs(self.angles[OPEN] - self.angles[SHUT])
        if not self._span:
            raise WrongSettings("%s: open_angle and shut_angle are the same" % hardware.where)
        self._speed: float = hardware.get("degrees_per_s", float, 120)
        self._settle_ms: int = hardware.get("settle_ms", int, 200)
        if self._speed <= 0 or self._settle_ms < 0:
            raise WrongSettings("%s: wanted degrees_per_s above 0 and settle_ms of 0 or more" % hardware.where)
        self._pulse_us = _pulses(hardware)
        self.angle: float | None = None
        """Where it stands, in degrees; None: not known."""
        self.goal: str | None = None
        """The end that it goes to, while there are pulses; None: it is at rest."""
        self._from: float | None = None
        self._begun_at = self._step_at = 0
        self._behind_ms = STEP_MS
        """So far the blade may be behind its pulses: the longest step of this move, where the loop was late."""
        self._ends_at: int | None = None

    @property
    def takes_ms(self) -> int:
        """From one end to the other, with the settling."""
        return int(self._span * 1000 / self._speed) + STEP_MS + self._settle_ms

    def head_for(self, goal: str, now: int) -> None:
        """Go there from where it stands; from an unknown place at its own pace, in the time of the whole way."""
        # Turned round on its way, it is as far behind as it was.
        self._behind_ms = STEP_MS if self.goal is None else self._behind_ms
        self.goal = goal
        self._from = self.angle
        self._begun_at = self._step_at = now
        self._ends_at = None
        self._pulse(self.angles[goal] if self.angle is None else self.angle)

    def tick(self, now: int) -> None:
        """One step towards the goal, or the end of the pulses, where it is time for it."""
        if self.goal is None:
            return
        if self._ends_at is not None:
            if now >= self._ends_at:
                self.rest()
            return
        step_ms = now - self._step_at
        if step_ms < STEP_MS:
            return
        self._step_at = now
        self._behind_ms = max(self._behind_ms, step_ms)
        target = self.angles[self.goal]
        turned = self._speed * (now - self._begun_at) / 1000
        if turned >= (self._span if self._from is None else abs(target - self._from)):
            self.angle = target
            self._pulse(target)
            self._ends_at = now + self._behind_ms + self._settle_ms
        elif self._from is not None:
            self.angle = self._from + (turned if target > self._from else -turned)
            self._pulse(self.angle)

    def rest(self) -> None:
        """No pulses."""
        self.goal = None
        if self._pwm is not None:
            self._pwm.duty_ns(0)

    def _pulse(self, angle: float) -> None:
        shortest, longest = self._pulse_us
        nanoseconds = int((shortest + (longest - shortest) * angle / HALF_TURN) * 1000)
        if self._pwm is None:
            # Made with its pulse: some boards begin with one of their own where none is given.
            self._pwm = PWM(self._pin, freq=PULSES_A_SECOND, duty_ns=nanoseconds)
        else:
            self._pwm.duty_ns(nanoseconds)


class Gate(Role):
    """One gate."""

    NAME = "gate"

    def __init__(self, settings: Settings) -> None:
        super().__init__(settings)
        hardware = settings.table("hardware")
        taken: dict[int, str] = {}
        commands = settings.maybe("set")
        # First of all: it makes its pin an output that is off.
        self._servo = None if commands is None else Servo(hardware, taken)
        self._state = settings.signal("state")
        self._switches: dict[str, Input] = {}
        for end in (OPEN, SHUT):
            pin = input_pin(hardware, end + "_switch", taken)
            if pin is not None:
                self._switches[end] = Input(pin)
        if self._servo is None and self._state is not None and not self._switches:
            raise WrongSettings(
                "%s: open_switch and shut_switch are missing; a gate that is moved by hand reports by one at least"
                % hardware.where
            )
        self._button = self._made_button(settings, hardware, taken)
        self._by_time: str | None = None
        """The end at which the blade stands because a whole travel's time has passed: only where no switch can tell."""
        self._failed = False
        """The last move did not bring the blade to its end, and no switch has changed since."""
        self._word = UNKNOWN
        self._odd = b""
        self._listen(commands)
        self._say_about(settings)

    def tick(self, now: int, _link: "Link") -> None:
        """The switches, the servo, the button; then what has become of the blade."""
        for switch in self._switches.values():
            if switch.changed(now):
                self._switched()
        servo = self._servo
        if servo is not None and servo.goal is not None:
            goal = servo.goal
            servo.tick(now)
            if servo.goal is None:
                self._stopped(servo, goal)
        if self._button is not None:
            self._button.tick(now)
        word = self._where()
        if word != self._word:
            self._word = word
            self._say()

    def greet(self, now: int) -> None:
        """Say where the blade is now; a press that is under way began too early to be told."""
        if self._button is not None:
            self._button.greet(now)
        self._say()

    def safe(self) -> None:
        """No pulses."""
        if self._servo is not None:
            self._servo.rest()

    def _seen(self) -> "str | None":
        """The end whose switch is closed; NOT_THERE: both are; None: neither is, or there is none."""
        closed = [end for end, switch in self._switches.items() if switch.closed]
        return NOT_THERE if len(closed) == 2 else closed[0] if closed else None

    def _where(self) -> str:
        """Where the blade is, as far as that is known, or that it moves."""
        seen = self._seen()
        goal = None if self._servo is None else self._servo.goal
        if goal is not None:
            # Driven once more towards the end where it stands already, it has not left it.
            return goal if goal in (seen, self._by_time) else MOVING
        if self._failed:
            return NOT_THERE
        return seen or self._by_time or UNKNOWN

    def _switched(self) -> None:
        """A switch says something else than before: the blade has come or gone, by the servo or by a hand."""
        self._failed = False
        self._by_time = None
        seen = self._seen()
        if seen == NOT_THERE:
            board.log("both end switches are closed: one of them is stuck, or its wires touch")
        if self._servo is not None:
            self._servo.angle = None if seen is None else self._servo.angles.get(seen)

    def _stopped(self, servo: Servo, goal: str) -> None:
        """The pulses have ended: did the blade come to its end?"""
        seen = self._seen()
        self._by_time = None
        self._failed = seen != (goal if goal in self._switches else None)
        if self._failed:
            board.log("the blade should be %s by now, and the end switches do not show it there" % goal)
            servo.angle = None
        elif goal not in self._switches:
            self._by_time = goal

    def _listen(self, commands: "Settings | None") -> None:
        """What comes on `set`, and on the topic on which somebody asks where the blade is."""
        self._words: dict[bytes, str] = {}
        if commands is not None:
            self._words = {commands.need(end, str).encode(): end for end in (OPEN, SHUT)}
            self.signals["set"] = Signal(commands)
            self.hears[self.signals["set"].topic] = self._commanded
        if self._state is not None:
            self.signals["state"] = self._state
            if self._state.poll_topic is not None and self._state.poll_topic not in self.hears:
                self.hears[self._state.poll_topic] = self._asked

    def _commanded(self, payload: bytes, retained: bool, now: int) -> None:
        """A command. One that the broker had kept is of unknown age, and moves nothing."""
        goal = self._words.get(payload)
        if retained:
            return
        if goal is not None:
            self._go(goal, now)
        elif self._asks(payload):
            self._say()
        elif payload != self._odd:
            self._odd = payload
            board.log("not understood on %s: %r" % (self.signals["set"].topic, payload[:40]))

    def _go(self, goal: str, now: int) -> None:
        """Bring the blade there, unless it is on its way or its switch shows it there; say where it is either way."""
        servo = self._servo
        if servo is None:
            return
        is_there = servo.goal is None and not self._failed and self._seen() == goal
        if servo.goal != goal and not is_there:
            if self._by_time == goal:
                servo.angle = None  # a hand may have moved it since: the whole travel's time once more
            else:
                self._by_time = None
            servo.head_for(goal, now)
        self._word = self._where()
        self._say()

    def _asked(self, payload: bytes, retained: bool, _now: int) -> None:
        """Somebody asks where the blade is."""
        if not retained and self._asks(payload):
            self._say()

    def _asks(self, payload: bytes) -> bool:
        state = self._state
        return state is not None and state.poll_topic is not None and payload == state.poll_payload

    def _say(self) -> None:
        if self._state is not None:
            word = self._state.word(self._word) if self._word in (OPEN, SHUT) else self._word
            self.say(self._state.topic, self._state.payload(word), retain=True, qos=1)

    def _made_button(self, settings: Settings, hardware: Settings, taken: "dict[int, str]") -> "Button | None":
        signal, pin = settings.signal("button"), input_pin(hardware, "button", taken)
        if signal is None or pin is None:
            if signal is not None:
                board.log("the config has a button for this gate; no pin is given for it, so this board looks at none")
            return None
        self.signals["button"] = signal
        words = {PRESSED: signal.word("pressed"), STUCK: STUCK}

        def say(what: str) -> bool:
            # Its release is nobody's business.
            return what in words and self.say(signal.topic, signal.payload(words[what]), qos=1, fresh=True)

        return Button(pin, say)

    def _say_about(self, settings: Settings) -> None:
        """How the position is known, and whether the config leaves time enough for the way."""
        else_by = "elapsed time" if self._servo is not None else "nothing"
        by_open, by_shut = ["end switch" if end in self._switches else else_by for end in (OPEN, SHUT)]
        if by_open != by_shut:
            self.facts["position"] = "open: %s, shut: %s" % (by_open, by_shut)
        else:
            self.facts["position"] = "end switches" if self._switches else else_by
        travel = settings.get("travel_ms", int)
        if self._servo is None or travel is None:
            return
        takes = self._servo.takes_ms + LATE_MS
        self.facts["takes_ms"] = takes
        self.facts["travel_ms"] = travel
        if takes > travel:
            self.facts["too_slow"] = (
                "the blade takes %d ms, the config's travel is %d ms: "
                "set travel in the config to %.1f s or more, or degrees_per_s to what the servo can do"
                % (takes, travel, takes / 1000 + 0.1)
            )
            board.log(self.facts["too_slow"])


def _angle(hardware: Settings, key: str, default: int) -> float:
    found: float = hardware.get(key, float, default)
    if not 0 <= found <= HALF_TURN:
        raise WrongSettings("%s: %s is %r; wanted 0 to %d degrees" % (hardware.where, key, found, HALF_TURN))
    return found


def _pulses(hardware: Settings) -> "tuple[float, float]":
    """The pulses at 0 and at 180 degrees, in microseconds; the longer one may be either."""
    found = hardware.get("pulse_us", list, [500, 2500])
    least, most = PULSES_US
    if len(found) != 2 or not all(isinstance(one, (int, float)) and least <= one <= most for one in found):
        raise WrongSettings("%s: pulse_us is %r; wanted two numbers, %d to %d" % (hardware.where, found, least, most))
    return found[0], found[1]


def make(settings: Settings) -> Gate:
    """The program of this role."""
    return Gate(settings)
