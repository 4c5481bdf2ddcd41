"""Plays the script: each question to what was answered, else to the person; each trial to the person and the broker.

Every answer is kept before the next question, so that neither Ctrl-C nor a power cut loses one. `Ears` is all that it
needs of the world: a person who reads and types, a broker that is only listened to, and time.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final, Protocol, TypeAlias, assert_never

from msgspec import Struct
from msgspec.structs import replace

from gatehand.first_config import questions as q
from gatehand.first_config.answers import Kept
from gatehand.first_config.boards import Board, board
from gatehand.first_config.draft import Draft
from gatehand.first_config.script import BROKER_KEYS, script
from gatehand.first_config.steps import AGAIN, Ask, Connect, Forget, Given, Quiet, RhythmOf, Step, Steps, Tell, Try
from gatehand.first_config.trials import Moved, Trial, is_clear, moved, pressed
from gatehand.listening.observed import Listening
from gatehand.listening.watched import Pressed, Switched
from gatehand.mqtt.inbox import Message
from gatehand.person import EndOfInput
from gatehand.rhythm import Rhythm
from gatehand.text import listed, named

BACK: Final = "back"
MOST_TURNS: Final = 3
"""So often a trial is done where others switch at the same time."""
GRACE: Final = 20.0
"""Seconds in which a trial that is answered with "listen" is done."""
RHYTHM_WITHIN: Final = 60.0
"""Seconds of listening in which a meter shows how often it speaks."""
SLOWEST: Final = 15.0
"""Seconds that are waited at most for a meter to say that it has fallen."""
LONGEST: Final = 40.0
"""Seconds that a thing stays on at most, for the levels of a meter that speaks every 10 s."""
ENOUGH: Final = 25.0
"""Seconds on, after which levels are taken as they are."""
AFTER: Final = 3.0
"""Seconds of listening after a thing was switched off."""
_LOOK: Final = 2.0
"""Seconds between two looks at what has followed so far."""
_LEFT_OUT: Final[Mapping[str, list[Moved] | None]] = {q.SKIP: None, q.NONE: None, q.TYPE: []}
"""Words for a trial that is not done, and what comes of it."""
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


class UnreachableError(Exception):
    """The broker that was named cannot be reached; the text says why and what to do."""


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
        listen_first: seconds of quiet, and for a meter's rhythm; None: as the script has it.
    """

    def __init__(
        self,
        ears: Ears,
        given: Mapping[str, q.Raw],
        kept: Kept,
        *,
        base: str = "gatehand",
        suggested: bool = False,
        listen_first: float | None = None,
    ) -> None:
        self.ears = ears
        self.kept = kept
        self.heard = Listening()
        self.at: Step | None = None
        """What is being asked."""
        self._given = given
        self._suggested = suggested
        self._listen_first = listen_first
        self._base = base
        self._boards: dict[str, Board] = {}
        self._waiting: list[str] = []
        """What is to be said before the next question."""
        self._asked = list(kept.what.answers)
        """Keys that the person has answered, in order."""
        self._before: dict[str, q.Raw] = {}
        """What was answered and is void: it is suggested again."""
        self._lost = False
        self._losses = 0
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
                self._waiting.clear()
                self._forget((self._asked.pop(),))

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
            case Given(key=key, read=read):
                found = self._answer(key)
                return None if found is None else self._read(Ask(key, "", read), found)
            case RhythmOf(topic=topic, pointer=pointer):
                return await self._rhythm(topic, pointer)
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
        if isinstance(before := self._before.get(step.key), str):
            step = replace(step, suggestion=before) if not step.options else step
        trouble = ""
        while True:
            self._put(trouble + _question(step))
            typed = await self._line(step.key, step.text)
            word = typed.strip()
            if word.casefold() == BACK and self._asked:
                raise _Back
            if step.again and word.casefold() == "again":
                return AGAIN
            raw = word or step.suggestion
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
            self.kept.write()
            raise WrongAnswerError(
                f"{step.key}: {error}; so it was answered before, and is forgotten now: the same command goes on"
            ) from None

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
            if key in self.kept.what.answers:
                self._before[key] = self.kept.what.answers.pop(key)
            self.kept.what.heard.pop(key, None)
        self.kept.write()

    def _put(self, text: str) -> None:
        """Say what waits, then ask."""
        self._say_waiting()
        self.ears.ask(text)

    def _say_waiting(self) -> None:
        for one in self._waiting:
            self.ears.say(one)
        self._waiting.clear()

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
        self._lost = lost is not None
        if lost is None:
            self.ears.say("The broker is back. What was being tried must be done again; everything else is kept.")
            return
        self._losses += 1
        self.heard.pause()
        self.ears.say(f"{lost}. Waiting for it; nothing that was answered is lost.")

    async def _connect(self, to: Connect) -> str | None:
        if self._to == to:
            return None
        trouble = await self.ears.connect(to)
        if trouble is None:
            self._to, self._connected_since = to, self.ears.now()
        elif not self._person or self._suggested or any(key in self._given for key in BROKER_KEYS):
            raise UnreachableError(trouble)
        return trouble

    async def _quiet(self, seconds: float) -> list[Board]:
        """Once in each process: what was heard before a break says nothing of what is quiet now."""
        until = (self._connected_since or 0.0) + (seconds if self._listen_first is None else self._listen_first)
        if self.ears.now() < until:
            self._say_waiting()
            await self._listen(until)
        return sorted(self._boards.values(), key=lambda one: (one.role, one.name))

    async def _listen(self, until: float) -> str | None:
        """Until then, or a typed line."""
        while self.ears.now() < until:
            if (typed := await self._next(until, "", "")) is not None:
                return typed
        return None

    async def _rhythm(self, topic: str, pointer: str | None) -> Rhythm | None:
        """What is known of it; where that is nothing yet, a while of listening more."""
        within = RHYTHM_WITHIN if self._listen_first is None else self._listen_first
        until = (self._connected_since or 0.0) + within
        while True:
            self._note_rhythm(topic, pointer)
            known = self.kept.what.rhythms.get(_name(topic, pointer))
            if known is not None or self.ears.now() >= until:
                return known
            await self._next(min(until, self.ears.now() + _LOOK), "", "")

    def _keep_rhythms(self) -> None:
        """Of what was found so far."""
        for one in (each for found in self.kept.what.heard.values() for each in found):
            self._note_rhythm(one.topic, one.pointer)

    def _note_rhythm(self, topic: str, pointer: str | None) -> None:
        """The longer listening counts."""
        signal = self.heard.signal(topic, pointer)
        now = None if signal is None else signal.rhythm
        before = self.kept.what.rhythms.get(_name(topic, pointer))
        if now is not None and (before is None or now.count >= before.count):
            self.kept.what.rhythms[_name(topic, pointer)] = now

    # Trials

    async def _try(self, step: Try) -> list[Moved] | None:
        if step.answers and all(self._answer(key) is not None for key in step.answers):
            return []
        answer = self._answer(step.key)
        if isinstance(answer, str) and answer.strip().casefold() in _LEFT_OUT:
            self._waiting.clear()
            return _LEFT_OUT[answer.strip().casefold()]
        if (before := self.kept.what.heard.get(step.key)) is not None:
            self._waiting.clear()
            return before
        if answer is None and self._suggested:
            return None
        grace = None if answer is None else self._grace(step.key, answer)
        made = await self._do_trial(step, grace)
        self._asked.append(step.key)
        if isinstance(made, str):
            self._keep(step.key, made)
            return _LEFT_OUT[made]
        self.kept.what.heard[step.key] = made
        self._keep_rhythms()
        self.kept.write()
        return made

    def _grace(self, key: str, answer: q.Raw) -> float:
        """Seconds in which it is done once it is asked for, where nobody types."""
        if isinstance(answer, str) and answer.strip().casefold() == q.LISTEN:
            return GRACE
        try:
            return q.some_seconds(answer)
        except q.BadAnswerError as error:
            raise WrongAnswerError(f"{key}: {error}; or {listed((q.LISTEN, *_LEFT_OUT))}") from None

    async def _do_trial(self, step: Try, grace: float | None) -> "list[Moved] | str":
        """Up to three times, where others switch at the same time. A word of `_LEFT_OUT`: it is not done."""
        switched: list[Switched] = []
        presses: list[Pressed] = []
        found: list[Moved] = []
        most = 2 if step.trial is Trial.PRESS else MOST_TURNS
        while (turn := max(len(switched), len(presses))) < most:
            await self._connection_stands()
            losses = self._losses
            asked = self.ears.now()
            word = await self._done(
                step, step.do if not turn else f"Once more, to be sure: {step.do}", step.done, grace
            )
            if word in _LEFT_OUT:
                return word
            by = self.ears.now()
            if step.trial is Trial.PRESS:
                await self._listen(by + AFTER)
                done = [*presses, Pressed(asked, self.ears.now())]
                found = pressed(self.heard, done, self._left_out)
                presses = done if losses == self._losses else presses
                continue
            await self._runs(step, switched, asked)
            off_asked = self.ears.now()
            word = await self._done(step, step.undo, step.undone, grace)
            if word in _LEFT_OUT:
                return word
            cycle = Switched(asked, by, off_asked, self.ears.now())
            if losses != self._losses:
                continue
            switched.append(cycle)
            before = {one.topic for one in found}
            found = await self._after(switched)
            # What has followed twice follows.
            if is_clear(found, step.words, step.numbers) or before == {one.topic for one in found}:
                break
        return found

    async def _done(self, step: Try, do: str, done: str, grace: float | None) -> str:
        """Have it done: until Enter, or for as long as it is given. A word of `_LEFT_OUT`, or nothing."""
        if grace is not None:
            self._say_waiting()
            self.ears.say(f"{do}, within {grace:g} s.")
            await self._listen(self.ears.now() + grace)
            return ""
        may = (q.SKIP, q.NONE) if step.key.endswith("_trial") else (q.SKIP, q.TYPE)
        while True:
            self._put(f"{do} (Enter when {done}; {'; '.join(may)})")
            word = (await self._line(step.key, do)).strip().casefold()
            if word == BACK and self._asked:
                raise _Back
            meant = [each for each in may if word and each.startswith(word)]
            if not word or meant:
                return meant[0] if meant else ""
            self.ears.say("Enter alone, or one of the words in brackets.")

    async def _runs(self, step: Try, before: Sequence[Switched], asked: float) -> None:
        """Let it run until its levels are known, as far as that is soon; Enter ends it too."""
        by = self.ears.now()
        self.ears.say(f"Leave it so until you are asked ({step.runs:g} s at least).")
        await self._listen(by + step.runs)
        while self.ears.now() < by + LONGEST:
            now = self.ears.now()
            found = moved(self.heard, (*before, Switched(asked, by, now, now)), now, self._left_out)
            if found and (not found[0].is_number or not found[0].wanting or now >= by + ENOUGH):
                break
            if not found and now >= by + ENOUGH:
                break
            if await self._listen(now + _LOOK) is not None:
                break

    async def _after(self, switched: Sequence[Switched]) -> list[Moved]:
        """Listen on until the likeliest has fallen, as far as that is soon; Enter ends it too."""
        off_by = switched[-1].off_by
        await self._listen(off_by + AFTER)
        while True:
            now = self.ears.now()
            found = moved(self.heard, switched, now, self._left_out)
            if (found and found[0].back) or now >= off_by + SLOWEST or await self._listen(now + _LOOK) is not None:
                return found

    async def _connection_stands(self) -> None:
        """A trial without the broker would show nothing."""
        while self._lost:
            await self._next(self.ears.now() + _LOOK, "", "")


def _question(step: Ask) -> str:
    """Its text with what was heard above it, and what may be typed behind it."""
    lines = [f"  {at}  {one.shown}" for at, one in enumerate(step.options, 1)]
    words = ["a number"] if len(step.options) > 1 else []
    if step.suggestion is not None:
        first = bool(step.options) and step.suggestion == step.options[0].answer
        words.insert(0, f"Enter: {'1' if first else step.suggestion}")
    words += ["again"] if step.again else []
    words += ["skip"] if step.skips else []
    above = f"{step.head}:\n" + "\n".join(lines) + "\n" if lines else ""
    return above + step.text + (f" [{'; '.join(words)}]" if words else "")


def _name(topic: str, pointer: str | None) -> str:
    return f"{topic} {pointer or ''}".strip()


def summary(kept: Kept) -> str:
    """What an evening that was broken off has already."""
    done = len(kept.what.answers)
    what = f"{named(done, 'answer')} and {named(len(kept.what.heard), 'trial')}"
    return f"{kept.path}: going on from there with {what}; --afresh begins anew"
