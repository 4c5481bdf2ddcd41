"""Stop contacts, bin levels, a machine's running contact, reset and hand buttons: one of them, or several on one board.

It switches nothing. A stop contact and a bin level are closed while all is well, so that a broken wire says active; a
running contact is open while its machine stands. Both are a state: retained, said at each change, at each connection,
and when somebody asks. A button is a moment: never retained, and told while it happens or never.
"""

from board import Role
from inputs import PRESSED, RELEASED, STUCK, Button, Input, input_pin
from settings import Settings, Signal, WrongSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from link import Link
    from machine import Pin

CLOSED = "closed"
OPEN = "open"
BUTTON = "button"
MOST = 24
"""Inputs on one board: each is said when a connection begins, all at once, and more the network would not take."""


class State:
    """A contact that says one word while it is active and another while it is clear."""

    def __init__(self, role: Role, signal: Signal, pin: "Pin", active_when_closed: bool) -> None:
        self._role = role
        self._signal = signal
        self._input = Input(pin)
        self._active_when_closed = active_when_closed
        self._active, self._clear = signal.word("active"), signal.word("clear")

    def tick(self, now: int) -> None:
        """Look at it, and say what has changed."""
        if self._input.changed(now):
            self.say()

    def greet(self, _now: int) -> None:
        """A connection stands: say how it is."""
        self.say()

    def say(self) -> None:
        """Say how it is now; nothing while it is not known yet, in the first moment after power-up."""
        if self._input.closed is not None:
            active = self._input.closed == self._active_when_closed
            word = self._active if active else self._clear
            self._role.say(self._signal.topic, self._signal.payload(word), retain=True, qos=1)


class Contact(Role):
    """All inputs of one board."""

    NAME = "contact"

    def __init__(self, settings: Settings) -> None:
        super().__init__(settings)
        self._each: list[State | Button] = []
        self._asked: dict[str, list[tuple[bytes, State]]] = {}
        pins = settings.table("hardware").table("pins")
        taken: dict[int, str] = {}
        tables = settings.need("inputs", list)
        self.facts["inputs"] = tables
        for number, table in enumerate(tables):
            where = "%s: inputs: number %d" % (settings.where, number + 1)
            if not isinstance(table, dict):
                raise WrongSettings("%s is %r; wanted a table" % (where, table))
            self._add(Settings(table, where), pins, taken, alone=len(tables) == 1)
        if not 0 < len(self._each) <= MOST:
            raise WrongSettings(
                "%s: inputs has %d; wanted 1 to %d, one table for each contact or button"
                % (settings.where, len(self._each), MOST)
            )

    def tick(self, now: int, _link: "Link") -> None:
        """Look at each input."""
        for each in self._each:
            each.tick(now)

    def greet(self, now: int) -> None:
        """Say each state; a press that is under way began too early to be told."""
        for each in self._each:
            each.greet(now)

    def _add(self, table: Settings, pins: Settings, taken: "dict[int, str]", alone: bool) -> None:
        """One input, from its table and the pin of its name."""
        kind, name, signal = table.need("kind", str), table.need("name", str), Signal(table)
        if kind not in (CLOSED, OPEN, BUTTON):
            raise WrongSettings("%s: kind is %r; wanted closed, open or button" % (table.where, kind))
        pin = input_pin(pins, name, taken)
        if pin is None:
            raise WrongSettings("%s: %s is missing; wanted the number of its pin" % (pins.where, name))
        level = "button" if kind == BUTTON else "state"
        self.signals[level if alone else "%s/%s" % (name, level)] = signal
        if kind == BUTTON:
            self._each.append(self._button(signal, pin))
        else:
            state = State(self, signal, pin, active_when_closed=kind == OPEN)
            self._each.append(state)
            self._answer(signal, state)

    def _button(self, signal: Signal, pin: "Pin") -> Button:
        # A hand button may have no word for its release; `stuck` is a word that no config has for a press.
        words = {PRESSED: signal.word("pressed"), RELEASED: signal.settings.get("released", str), STUCK: STUCK}

        def say(what: str) -> bool:
            word = words[what]
            return word is None or self.say(signal.topic, signal.payload(word), qos=1, fresh=True)

        return Button(pin, say)

    def _answer(self, signal: Signal, state: State) -> None:
        """Let the state be asked for, where its config has a `poll`. Several may be asked on one topic."""
        topic = signal.poll_topic
        if topic is None:
            return
        asked = self._asked.setdefault(topic, [])
        asked.append((signal.poll_payload, state))

        def hear(payload: bytes, retained: bool, _now: int) -> None:
            for wanted, each in asked:
                if payload == wanted and not retained:
                    each.say()

        self.hears[topic] = hear


def make(settings: Settings) -> Contact:
    """The program of this role."""
    return Contact(settings)
