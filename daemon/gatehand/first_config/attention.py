"""Takes in all that happens in an evening: messages into what was heard, lines to whoever asked, the broker's going.

What is to be said before a question waits here until one is put, so that an evening that is taken up again does not say
everything anew.
"""

from typing import Final, assert_never

from gatehand.first_config.boards import Board, board
from gatehand.first_config.port import BrokenOffError, BrokerWord, Ears, UnansweredError
from gatehand.listening.observed import Listening
from gatehand.mqtt.inbox import Message
from gatehand.person import EndOfInput

LOOK: Final = 2.0
"""Seconds between two looks at what has followed so far."""


class Attention:
    """What was heard, and who is there. `base`: the daemon's own topics begin with it; they are left out."""

    def __init__(self, ears: Ears, base: str) -> None:
        self.ears = ears
        self.heard = Listening()
        self.boards: dict[str, Board] = {}
        """By the topic on which each speaks of itself."""
        self.person = True
        """Whether somebody may answer."""
        self.losses = 0
        """How often the broker has gone."""
        self._lost = False
        self._base = base
        self._waiting: list[str] = []

    def now(self) -> float:
        """Monotonic seconds."""
        return self.ears.now()

    def later(self, text: str) -> None:
        """To be said before the next question."""
        self._waiting.append(text)

    def never_mind(self) -> None:
        """The next question has been answered already."""
        self._waiting.clear()

    def say(self, text: str = "") -> None:
        """Say what waits, and this."""
        for one in (*self._waiting, *filter(None, (text,))):
            self.ears.say(one)
        self._waiting.clear()

    async def ask(self, key: str, text: str) -> str:
        """The person's line to a question.

        Raises:
            UnansweredError: nobody is there.
            BrokenOffError: the person ended it.
        """
        self.say()
        self.ears.ask(text)
        while True:
            if not self.person:
                raise UnansweredError(key, text)
            if (typed := await self._next(float("inf"))) is not None:
                return typed

    async def listen(self, until: float) -> bool:
        """Until then, or until somebody presses Enter: True.

        Raises:
            BrokenOffError: the person ended it.
        """
        while self.now() < until:
            if await self._next(until) is not None:
                return True
        return False

    async def connection_stands(self) -> None:
        """Wait until it does: a trial without the broker would show nothing."""
        while self._lost:
            await self._next(self.now() + LOOK)

    def left_out(self, topic: str) -> bool:
        """Whether it is the daemon's own."""
        return topic == self._base or topic.startswith(f"{self._base}/")

    async def _next(self, until: float) -> str | None:
        """A typed line; None: it is `until`, or something else has happened."""
        happening = await self.ears.next(until)
        match happening:
            case None:
                return None
            case str():
                return happening
            case Message():
                self._hear(happening)
            case BrokerWord(lost=lost):
                self._connection(lost)
            case EndOfInput.INTERRUPTED:
                raise BrokenOffError
            case EndOfInput.NOBODY_THERE:
                self.person = False
            case _:
                assert_never(happening)
        return None

    def _hear(self, message: Message) -> None:
        if self.left_out(message.topic):
            return
        self.heard.take(message.topic, message.payload, message.retained, message.received)
        if (found := board(message.topic, message.payload)) is not None:
            self.boards[message.topic] = found

    def _connection(self, lost: str | None) -> None:
        self._lost = lost is not None
        if lost is None:
            self.ears.say("The broker is back. What was being tried must be done again; everything else is kept.")
            return
        self.losses += 1
        self.heard.pause()
        self.ears.say(f"{lost}. Waiting for it; none of your answers is lost.")
