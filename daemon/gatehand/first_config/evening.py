"""Plays the script: each question to what was answered, else to the person; each trial to the person and the broker.

Every answer is kept before the next question, so that neither Ctrl-C nor a power cut loses one. `Ears` is all that it
needs of the world: a person who reads and types, a broker that is only listened to, and time.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final, Protocol, TypeAlias, assert_never

from msgspec import Struct

from gatehand.exercise.terminal_io import EndOfInput
from gatehand.first_config import questions as q
from gatehand.first_config.answers import Kept
from gatehand.first_config.boards import Board, board
from gatehand.first_config.draft import Draft
from gatehand.first_config.script import script
from gatehand.first_config.steps import AGAIN, Ask, Connect, Forget, Quiet, RhythmOf, Step, Steps, Tell, Try
from gatehand.first_config.trials import SLOWEST, Moved, Trial, is_clear, moved, pressed, slowest
from gatehand.listening.observed import Listening
from gatehand.listening.watched import Pressed, Switched
from gatehand.mqtt.inbox import Message
from gatehand.rhythm import Rhythm
from gatehand.text import named

BACK: Final = "back"
MOST_CYCLES: Final = 3
"""So often a trial is done where others switch at the same time."""
AFTER: Final = 3.0
"""Seconds of listening after a thing was switched off."""
PATIENCE: Final = 300.0
"""Seconds that a trial answered with "listen" waits for somebody to do it."""
_LOOK: Final = 1.0
_BOARDS_WITHIN: Final = 2000
"""Bytes; what a board says of itself is shorter."""


class BrokerWord(Struct, frozen=True):
    """The connection is lost, for a reason, or back (None)."""

    lost: str | None


Heard: TypeAlias = Message | str | EndOfInput | BrokerWord


class Ears(Protocol):
    """The world, as far as an evening needs it."""

    def now(self) -> float:
        """Monotonic seconds."""

    def say(self, text: str) -> None:
        """Tell the person something."""

    def ask(self, text: str) -> None:
        """Ask the person something; the answer comes from `next`."""

    async def connect(self, to: Connect) -> str | None:
        """Listen to everything on this broker from now on; None, or why it cannot be reached."""

    async def next(self, until: float) -> Heard | None:
        """What happens next; None when it is `until` before anything does."""


class BrokenOffError(Exception):
    """The person ended it."""


class UnansweredError(Exception):
    """Nobody is there to be asked; the text names the key, and says how to answer it."""

    def __init__(self, key: str, text: str) -> None:
        super().__init__(f"{text}\nnobody is there to answer: give --answer '{key}=...'")
        self.key = key


class WrongAnswerError(Exception):
    """A given answer cannot be used; the text names its key."""


class _Back(Exception):  # noqa: N818 - no error: the way to the question before
    """The person wants the question before."""


class Evening:
    """One evening.

    Args:
        ears: the world.
        given: answers of the command line, by key.
        kept: what is kept over a break; what was answered before is in it.
        base: the daemon's own topics begin with it; they are not listened to.
        suggested: take what is suggested where nothing else is answered.
    """

    def __init__(
        self,
        ears: Ears,
        given: Mapping[str, q.Raw],
        kept: Kept,
        *,
        base: str = "gatehand",
        suggested: bool = False,
    ) -> None:
        self.ears = ears
        self.kept = kept
        self.heard = Listening()
        self.at: Step | None = None
        """What is being asked."""
        self._given = given
        self._suggested = suggested
        self._base = base
        self._boards: dict[str, Board] = {}
        self._waiting: list[str] = []
        """What is to be said before the next question."""
        self._asked: list[str] = []
        """Keys that the person has answered now, in order."""
        self._connected_since: float | None = None
        self._to: Connect | None = None
        self._person = True

    async def run(self) -> Draft:
        """The whole of it.

        Raises:
            BrokenOffError: the person ended it.
            UnansweredError: nobody is there to answer.
            WrongAnswerError: an answer that was given cannot be used.
            AnswersError: what was answered cannot be kept.
        """
        while True:
            try:
                return await self._play(script())
            except _Back:
                key = self._asked.pop()
                self._forget((key, *(one for one in self.kept.what.heard if one.rpartition(".")[0] == key.rpartition(".")[0])))

    async def _play(self, steps: Steps[Draft]) -> Draft:
        reply: Any = None
        while True:
            try:
                step = steps.send(reply)
            except StopIteration as end:
                draft: Draft = end.value
                return draft
            self.at = step
            reply = await self._do(step)

    async def _do(self, step: Step) -> Any:  # noqa: ANN401 - as the step says
        match step:
            case Tell(text=text):
                self._waiting.append(text)
                return None
            case Ask():
                return await self._ask(step)
            case Try():
                return await self._try(step)
            case Quiet(seconds=seconds):
                return await self._quiet(seconds)
            case Connect():
                return await self._connect(step)
            case Forget(keys=keys):
                self._forget(keys)
                return None
            case RhythmOf(topic=topic, pointer=pointer):
                return self._rhythm(topic, pointer)
            case _:
                assert_never(step)

    # Questions

    async def _ask(self, step: Ask) -> Any:  # noqa: ANN401 - what its reader makes
        found = self._answer(step.key)
        if found is not None:
            self._waiting.clear()
            return self._read(step, found)
        if self._suggested and step.suggestion is not None:
            return self._read(step, step.suggestion)
        trouble = ""
        while True:
            self._put(trouble + _question(step))
            typed = await self._line(step.key, step.text)
            word = typed.strip()
            if word.casefold() == BACK and self._asked:
                raise _Back
            if step.again and word.casefold() == "again":
                return AGAIN
            raw = step.suggestion if not word else word
            if word.isdigit() and step.options and 0 < int(word) <= len(step.options):
                raw = step.options[int(word) - 1].answer
            if raw is None:
                trouble = "An answer is wanted here. "
                continue
            try:
                value = self._value(step, raw)
            except q.BadAnswerError as error:
                trouble = f"{error}. "
                continue
            self._keep(step.key, raw)
            return value

    def _answer(self, key: str) -> q.Raw | None:
        return self._given.get(key, self.kept.what.answers.get(key))

    def _read(self, step: Ask, raw: q.Raw) -> Any:  # noqa: ANN401
        try:
            return self._value(step, raw)
        except q.BadAnswerError as error:
            if step.key in self._given:
                raise WrongAnswerError(f"{step.key}: {error}") from None
            self.kept.what.answers.pop(step.key, None)
            raise WrongAnswerError(f"{step.key}: {error}; it was kept so, and is forgotten now: begin again") from None

    @staticmethod
    def _value(step: Ask, raw: q.Raw) -> Any:  # noqa: ANN401
        if step.skips and isinstance(raw, str) and raw.strip().casefold() == q.SKIP:
            return q.SKIPPED
        return step.read(raw)

    def _keep(self, key: str, raw: q.Raw) -> None:
        self.kept.what.answers[key] = raw
        self._asked.append(key)
        self._keep_rhythms()
        self.kept.write()

    def _forget(self, keys: Sequence[str]) -> None:
        for key in keys:
            if key in self._given:
                raise WrongAnswerError(f"{key}: the answer that was given does not do; give another")
            self.kept.what.answers.pop(key, None)
            self.kept.what.heard.pop(key, None)
        self.kept.write()

    def _put(self, text: str) -> None:
        """Say what waits, then ask."""
        for one in self._waiting:
            self.ears.say(one)
        self._waiting.clear()
        self.ears.ask(text)

    async def _line(self, key: str, text: str) -> str:
        while True:
            happening = await self._next(float("inf"), key, text)
            if isinstance(happening, str):
                return happening

    # The world

    async def _next(self, until: float, key: str, text: str) -> str | None:
        """A typed line, or None when it is `until`. Messages are taken in."""
        while True:
            if not self._person and until == float("inf"):
                raise UnansweredError(key, text)
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
                    self._person = False
                case _:
                    assert_never(happening)

    def _hear(self, message: Message) -> None:
        if self._left_out(message.topic):
            return
        self.heard.take(message.topic, message.payload, message.retained, message.received)
        if len(message.payload) < _BOARDS_WITHIN and (found := board(message.topic, message.payload)) is not None:
            self._boards[message.topic] = found

    def _left_out(self, topic: str) -> bool:
        return topic == self._base or topic.startswith(f"{self._base}/")

    def _connection(self, lost: str | None) -> None:
        if lost is None:
            self.ears.say("The broker is back. What was being tried must be done again; everything else is kept.")
            return
        self.heard.pause()
        self.ears.say(f"{lost}. Waiting for it; nothing that was answered is lost.")

    async def _connect(self, to: Connect) -> str | None:
        if self._to == to:
            return None
        trouble = await self.ears.connect(to)
        if trouble is None:
            self._to, self._connected_since = to, self.ears.now()
        elif not self._person or any(key in self._given for key in ("broker.host", "broker.port")):
            raise WrongAnswerError(trouble)
        return trouble

    async def _quiet(self, seconds: float) -> list[Board]:
        """Once in each process: what was heard before a break says nothing of what is quiet now."""
        until = (self._connected_since or 0.0) + seconds
        if self.ears.now() < until:
            for one in self._waiting:
                self.ears.say(one)
            self._waiting.clear()
            await self._listen(until)
        return sorted(self._boards.values(), key=lambda one: (one.role, one.name))

    async def _listen(self, until: float) -> str | None:
        """Until then, or a typed line."""
        while self.ears.now() < until:
            if (typed := await self._next(until, "", "")) is not None:
                return typed
        return None

    def _rhythm(self, topic: str, pointer: str | None) -> Rhythm | None:
        self._keep_rhythms()
        return self.kept.what.rhythms.get(_name(topic, pointer))

    def _keep_rhythms(self) -> None:
        """Of what was found so far; the longer listening counts."""
        for one in (each for found in self.kept.what.heard.values() for each in found):
            signal = self.heard.signal(one.topic, one.pointer)
            now = None if signal is None else signal.rhythm
            before = self.kept.what.rhythms.get(_name(one.topic, one.pointer))
            if now is not None and (before is None or now.count >= before.count):
                self.kept.what.rhythms[_name(one.topic, one.pointer)] = now

    # Trials

    async def _try(self, step: Try) -> list[Moved] | None:
        if step.answers and all(self._answer(key) is not None for key in step.answers):
            return []
        found = self._answer(step.key)
        if found is not None and (done := self._by_word(str(found))) is not _DO:
            self._waiting.clear()
            return done
        if (before := self.kept.what.heard.get(step.key)) is not None:
            self._waiting.clear()
            return before
        if found is None and self._suggested:
            return None
        made = await self._by_listening(step) if found is not None else await self._with_person(step)
        if made is None or isinstance(made, str):
            self._keep(step.key, made or q.SKIP)
            return self._by_word(made or q.SKIP)
        self.kept.what.heard[step.key] = made
        self._keep_rhythms()
        self.kept.write()
        return made

    @staticmethod
    def _by_word(word: str) -> "list[Moved] | None":
        return {q.SKIP: None, q.NONE: None, q.TYPE: []}.get(word.strip().casefold(), _DO)

    async def _with_person(self, step: Try) -> "list[Moved] | str":
        """The person does it, up to three times where others switch at the same time."""
        cycles: list[Switched] = []
        presses: list[Pressed] = []
        found: list[Moved] = []
        words = "skip; type; none" if step.key.endswith("_trial") else "skip; type"
        for turn in range(MOST_CYCLES):
            do = step.do if turn == 0 else f"Once more, to be sure: {step.do}"
            asked = self.ears.now()
            word = await self._wait_for(step, f"{do} (Enter when {step.done}; {words})")
            if word:
                return word
            by = self.ears.now()
            if step.trial is Trial.PRESS:
                await self._listen(self.ears.now() + AFTER)
                presses.append(Pressed(asked, self.ears.now()))
                found = pressed(self.heard, presses, self._left_out)
                if turn and (is_clear(found, step.expected) or not found):
                    break
                continue
            self.ears.say(f"Leave it so for {step.runs:g} s.")
            await self._listen(self.ears.now() + step.runs)
            off_asked = self.ears.now()
            word = await self._wait_for(step, f"{step.undo} (Enter when {step.undone}; {words})")
            if word:
                return word
            off_by = self.ears.now()
            cycles.append(Switched(asked, by, off_asked, off_by))
            found = await self._after(step, cycles, off_by)
            if is_clear(found, step.expected) or not found:
                break
        return found

    async def _wait_for(self, step: Try, text: str) -> str:
        """Enter: empty. Else "skip", "none", "type"."""
        while True:
            self._put(text)
            word = (await self._line(step.key, text)).strip().casefold()
            if word == BACK and self._asked:
                raise _Back
            if not word or word in {q.SKIP, q.NONE, q.TYPE}:
                return word
            if word in {"s", "n", "t"}:
                return {"s": q.SKIP, "n": q.NONE, "t": q.TYPE}[word]
            self.ears.say("Enter alone, or one of the words in brackets.")

    async def _after(self, step: Try, cycles: list[Switched], off_by: float) -> list[Moved]:
        """Listen on until the likeliest has fallen, as far as its rhythm lets it."""
        await self._listen(off_by + AFTER)
        found = moved(self.heard, cycles, self.ears.now(), self._left_out)
        wait = SLOWEST if not found else slowest(self.heard, found)
        if wait > AFTER and step.trial is Trial.SWITCH:
            self.ears.say(f"Listening {wait - AFTER:.0f} s more, for a meter that speaks seldom.")
            await self._listen(off_by + wait)
            found = moved(self.heard, cycles, self.ears.now(), self._left_out)
        return found

    async def _by_listening(self, step: Try) -> list[Moved]:
        raise NotImplementedError


_DO: Final[list[Moved]] = []
"""The trial is to be done."""


def _question(step: Ask) -> str:
    lines = [f"  {at}  {one.shown}" for at, one in enumerate(step.options, 1)]
    words = [f"Enter: {'1' if step.options and step.suggestion == step.options[0].answer else step.suggestion}"] if step.suggestion is not None else []
    words += ["a number"] if len(step.options) > 1 else []
    words += ["again"] if step.again else []
    words += ["skip"] if step.skips else []
    heard = "Heard:\n" + "\n".join(lines) + "\n" if lines else ""
    return f"{heard}{step.text}{f' [{'; '.join(words)}]' if words else ''}"


def _name(topic: str, pointer: str | None) -> str:
    return f"{topic} {pointer or ''}".strip()


def summary(kept: Kept) -> str:
    """What an evening that was broken off has already."""
    done = len(kept.what.answers)
    return f"{kept.path}: going on from there, {named(done, 'answer')} and {named(len(kept.what.heard), 'trial')} are kept (--afresh begins anew)"
