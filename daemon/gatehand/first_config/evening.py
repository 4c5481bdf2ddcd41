"""Plays the script: each question to what was answered, else to the person; each trial to the person and the broker.

Every answer is kept before the next question, so that neither Ctrl-C nor a power cut loses one.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any, Final, assert_never

from msgspec.structs import replace

from gatehand.first_config import questions as q
from gatehand.first_config.answers import Kept
from gatehand.first_config.attention import LOOK, Attention
from gatehand.first_config.boards import Board
from gatehand.first_config.draft import Draft
from gatehand.first_config.port import BackError, Ears, UnansweredError, UnreachableError, WrongAnswerError
from gatehand.first_config.script import BROKER_KEYS, script
from gatehand.first_config.steps import (
    AGAIN,
    Ask,
    Connect,
    Forget,
    Given,
    Manner,
    Quiet,
    RhythmOf,
    Step,
    Steps,
    Tell,
    Try,
)
from gatehand.first_config.trial_runs import BACK, GRACE, LEFT_OUT, TrialRun
from gatehand.first_config.trials import Moved
from gatehand.text import listed, named

RHYTHM_WITHIN: Final = 60.0
"""Seconds of listening in which a meter shows how often it speaks."""
SPEAKS_WITHIN: Final = 12.0
"""Seconds in which a meter with a rhythm has spoken once, as most do: then its rhythm is waited for."""
AGAIN_WORD: Final = "again"
DEVICES: Final = ("collectors", "gates", "tools", "stops")


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
        self.kept = kept
        self.at: Step | None = None
        """What is being asked."""
        self._ears = ears
        self._attention = Attention(ears, base)
        self._given = given
        self._suggested = suggested
        self._listen_first = listen_first
        self._asked = list(kept.what.answers)
        """Keys that the person has answered, in order."""
        self._before: dict[str, q.Raw] = {}
        """What was answered and is void: it is suggested again."""
        self._afresh: set[str] = set()
        """Trials that are done again: what was heard before them is forgotten."""
        self._unanswered: UnansweredError | None = None
        """What nobody is there to answer. From then on the script goes on only to name what else is missing:"""
        self._others: list[tuple[str, str | None]] = []
        """by key, with what would be suggested."""
        self._connected_since = 0.0
        self._to: Connect | None = None

    async def run(self) -> Draft:
        """The whole of it.

        Raises:
            BrokenOffError: the person ended it.
            UnansweredError: nobody is there to answer.
            UnreachableError: the broker that was given cannot be reached.
            WrongAnswerError: an answer that was given cannot be used.
            AnswersError: what was answered cannot be kept.
        """
        while True:
            try:
                return await self._play(script(self.kept.path.parent))
            except BackError:
                self._attention.never_mind()
                if self._asked:
                    self._forget((self._asked.pop(),))

    async def _play(self, steps: Steps[Draft]) -> Draft:
        reply: Any = None
        while True:
            try:
                self.at = steps.send(reply)
            except StopIteration as end:
                if self._unanswered is not None:
                    raise self._unanswered from None
                draft: Draft = end.value
                return draft
            try:
                reply = await self._do(self.at)
            except UnansweredError as error:
                reply = self._lacking(self.at, error)

    def _lacking(self, step: Step, error: UnansweredError) -> Any:  # noqa: ANN401 - as the step says
        """Note the first that is missing, and go on with something in its place."""
        self._unanswered = error
        error.others = self._others
        return self._in_place_of(step) if isinstance(step, Ask) else None

    def _also_missing(self, key: str, suggestion: str | None = None) -> None:
        if self._unanswered is not None and key not in {self._unanswered.key, *(each for each, _ in self._others)}:
            self._others.append((key, suggestion))

    def _in_place_of(self, step: Ask) -> Any:  # noqa: ANN401 - as the step says
        """Anything that may be answered, so that what comes after it can be asked for: of devices none."""
        for raw in (
            (q.NONE,) if step.key in DEVICES else (step.suggestion, *((q.SKIP,) if step.skips else ()), q.NONE, "1")
        ):
            with suppress(q.BadAnswerError):
                if raw is not None:
                    return self._value(step, raw)
        raise self._unanswered or UnansweredError(step.key, step.text)

    async def _do(self, step: Step) -> Any:  # noqa: ANN401 - as the step says
        match step:
            case Tell(text=text):
                self._attention.later(text)
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
        if (found := self._answer(step.key)) is not None:
            self._attention.never_mind()
            return self._read(step, found)
        if self._suggested and step.suggestion is not None:
            return self._read(step, step.suggestion)
        if self._unanswered is not None:
            self._also_missing(step.key, step.suggestion)
            return self._in_place_of(step)
        if isinstance(before := self._before.get(step.key), str) and not step.options:
            step = replace(step, suggestion=before)
        trouble = ""
        while True:
            word = (await self._attention.ask(step.key, trouble + _question(step))).strip()
            if word.casefold() == BACK:
                raise BackError
            if step.again and word.casefold() == AGAIN_WORD:
                return AGAIN
            raw = _chosen(step, word)
            if raw is None:
                trouble = "This needs an answer. "
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
            if self._unanswered is not None:  # it may name what is missing
                return self._in_place_of(step)
            if step.key in self._given:
                raise WrongAnswerError(f"{step.key}: {error}") from None
            self.kept.what.answers.pop(step.key, None)
            self.kept.write()
            raise WrongAnswerError(
                f"{step.key}: {error}; that earlier answer is forgotten now: run the same command again"
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
            if self.kept.what.heard.pop(key, None) is not None:
                self._afresh.add(key)
        self.kept.write()

    # The broker

    async def _connect(self, to: Connect) -> str | None:
        if self._to == to or self._unanswered is not None:
            return None
        trouble = await self._ears.connect(to)
        if trouble is None:
            self._to, self._connected_since = to, self._ears.now()
        elif not self._attention.person or self._suggested or any(key in self._given for key in BROKER_KEYS):
            raise UnreachableError(trouble)
        return trouble

    def _after(self, seconds: float) -> float:
        """When it has been listened for so long; `listen_first` goes before."""
        return self._connected_since + (seconds if self._listen_first is None else self._listen_first)

    async def _quiet(self, seconds: float) -> list[Board]:
        """Once in each process: what was heard before a break says nothing of what is quiet now."""
        if self._unanswered is None and (until := self._after(seconds)) > self._ears.now():
            left = until - self._ears.now()
            self._attention.say(
                f"Listening for {left:.0f} s to what speaks by itself. Please do not switch or press anything."
            )
            await self._attention.listen(until)
        return sorted(self._attention.boards.values(), key=lambda one: (one.role, one.name))

    async def _rhythm(self, topic: str, pointer: str | None) -> Manner:
        """What is known of it; where that is nothing yet, a while of listening more, and the longer where it speaks."""
        while True:
            self._note_rhythm(topic, pointer)
            known = self.kept.what.rhythms.get(_name(topic, pointer))
            signal = self._attention.heard.signal(topic, pointer)
            speaks = signal is not None and signal.live > 0
            least = self._connected_since + (RHYTHM_WITHIN if speaks else SPEAKS_WITHIN)
            until = max(least, self._after(RHYTHM_WITHIN))
            if known is not None or self._unanswered is not None or (now := self._ears.now()) >= until:
                return Manner(known, kept=signal is not None and signal.retained > 0)
            await self._attention.listen(min(until, now + LOOK))

    def _keep_rhythms(self) -> None:
        """Of what was found so far."""
        for one in (each for found in self.kept.what.heard.values() for each in found):
            self._note_rhythm(one.topic, one.pointer)

    def _note_rhythm(self, topic: str, pointer: str | None) -> None:
        """The longer listening counts."""
        signal = self._attention.heard.signal(topic, pointer)
        now = None if signal is None else signal.rhythm
        before = self.kept.what.rhythms.get(_name(topic, pointer))
        if now is not None and (before is None or now.count >= before.count):
            self.kept.what.rhythms[_name(topic, pointer)] = now

    # Trials

    async def _try(self, step: Try) -> list[Moved] | None:
        answer, kept = self._answer(step.key), self.kept.what.heard
        word = answer.strip().casefold() if isinstance(answer, str) else ""
        if word in LEFT_OUT or step.key in kept:
            self._attention.never_mind()
            return LEFT_OUT[word] if word in LEFT_OUT else kept[step.key]
        if step.answers and all(self._answer(key) is not None for key in step.answers):
            return []
        if self._unanswered is not None or (answer is None and self._suggested):
            if answer is None and not self._suggested:
                self._also_missing(step.key)
            return None
        afresh = step.key in self._afresh
        made = await TrialRun(self._attention, step, self._grace(step.key, answer), afresh=afresh).done()
        if isinstance(made, str):
            self._keep(step.key, made)
            return LEFT_OUT[made]
        kept[step.key] = made
        self._asked.append(step.key)
        self._keep_rhythms()
        self.kept.write()
        return made

    @staticmethod
    def _grace(key: str, answer: q.Raw | None) -> float | None:
        """Seconds in which it is done once it is asked for, where that is answered; None: somebody presses Enter."""
        if answer is None:
            return None
        if isinstance(answer, str) and answer.strip().casefold() == q.LISTEN:
            return GRACE
        try:
            return float(q.some_seconds(answer))
        except q.BadAnswerError as error:
            raise WrongAnswerError(f"{key}: {error}; or {listed((q.LISTEN, *LEFT_OUT))}") from None


def _chosen(step: Ask, word: str) -> str | None:
    """The answer that a typed word is: an option's number, the suggestion for nothing at all."""
    if word.isdigit() and 0 < int(word) <= len(step.options):
        return step.options[int(word) - 1].answer
    return word or step.suggestion


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
    return f"{kept.path}: carrying on from there with {what}; --afresh starts over"
