"""Has a trial done: asks for it, listens meanwhile, and has it done again where others switch at the same time."""

from collections.abc import Mapping, Sequence
from typing import Final

from gatehand.first_config import questions as q
from gatehand.first_config.attention import LOOK, Attention
from gatehand.first_config.port import BackError
from gatehand.first_config.steps import Try
from gatehand.first_config.trials import Moved, Trial, is_clear, moved, pressed
from gatehand.listening.cycles import Pressed, Switched

BACK: Final = "back"
LEFT_OUT: Final[Mapping[str, list[Moved] | None]] = {q.SKIP: None, q.NONE: None, q.TYPE: []}
"""Words for a trial that is not done, and what comes of it."""
GRACE: Final = 20.0
"""Seconds in which a trial that is answered with "listen" is done."""
MOST_TURNS: Final = 3
"""So often a thing is switched at most."""
PRESSES: Final = 2
SLOWEST: Final = 15.0
"""Seconds that are waited at most for a meter to say that it has fallen."""
ENOUGH: Final = 25.0
"""Seconds that a thing stays on at most; then levels are taken as they are."""
AFTER: Final = 3.0
"""Seconds of listening after a thing was switched off, or pressed."""


class TrialRun:
    """One trial.

    Args:
        attention: who is there.
        step: what is to be done.
        grace: so many seconds are given for each thing to be done; None: until Enter.
        afresh: it is done again: what was heard before is forgotten.
    """

    def __init__(self, attention: Attention, step: Try, grace: float | None, *, afresh: bool = False) -> None:
        self._attention = attention
        self._step = step
        self._grace = grace
        self._since = attention.now() if afresh else None
        self._switched: list[Switched] = []
        self._presses: list[Pressed] = []

    async def done(self) -> "list[Moved] | str":
        """What followed; or a word of `LEFT_OUT`: it is not done.

        Raises:
            BackError: the person wants the question before.
            UnansweredError, BrokenOffError: as of `Attention`.
        """
        return await (self._press() if self._step.trial is Trial.PRESS else self._switch())

    async def _press(self) -> "list[Moved] | str":
        attention, found = self._attention, list[Moved]()
        while len(self._presses) < PRESSES:
            await attention.connection_stands()
            losses, asked = attention.losses, attention.now()
            if word := await self._have(self._again(len(self._presses)), self._step.done):
                return word
            await attention.listen(attention.now() + AFTER)
            if losses == attention.losses:
                self._presses.append(Pressed(asked, attention.now()))
                found = pressed(attention.heard, self._presses, attention.left_out, self._since)
        return found

    async def _switch(self) -> "list[Moved] | str":
        attention, step, found = self._attention, self._step, list[Moved]()
        while len(self._switched) < MOST_TURNS:
            await attention.connection_stands()
            losses, asked = attention.losses, attention.now()
            if word := await self._have(self._again(len(self._switched)), step.done):
                return word
            by = attention.now()
            await self._runs(asked, by)
            off_asked = attention.now()
            if word := await self._have(step.undo, step.undone):
                return word
            if losses != attention.losses:
                continue
            self._switched.append(Switched(asked, by, off_asked, attention.now()))
            before = {one.topic for one in found}
            found = await self._falls()
            clear = is_clear(found, step.words, step.numbers) and not any(one.also for one in found[:1])
            # What has followed twice follows.
            if clear or before == {one.topic for one in found}:
                break
        return found

    def _again(self, turn: int) -> str:
        return f"Once more, to be sure: {self._step.do}" if turn else self._step.do

    async def _have(self, do: str, done: str) -> str:
        """Have it done. A word of `LEFT_OUT`, or nothing."""
        attention, step = self._attention, self._step
        if self._grace is not None:
            attention.say(f"{do}, within {self._grace:g} s.")
            await attention.listen(attention.now() + self._grace)
            return ""
        may = (q.SKIP, q.NONE) if step.key.endswith("_trial") else (q.SKIP, q.TYPE)
        while True:
            typed = await attention.ask(step.key, f"{do} (Enter when {done}; {'; '.join(may)})")
            word = typed.strip().casefold()
            if word == BACK:
                raise BackError
            meant = [each for each in may if word and each.startswith(word)]
            if not word or meant:
                return meant[0] if meant else ""
            attention.say("Press Enter alone, or type one of the words in brackets.")

    async def _runs(self, asked: float, by: float) -> None:
        """Let it run until its levels are known, as far as that is soon; Enter ends it too."""
        attention, step = self._attention, self._step
        attention.say(f"Leave it like that until you are asked, in {step.runs:g} to {ENOUGH:g} s.")
        told = await attention.listen(by + step.runs)
        said = False
        while not told and (now := attention.now()) < by + ENOUGH:
            found = self._followed((*self._switched, Switched(asked, by, now, now)))
            if found and not (found[0].is_number and found[0].wanting):
                return
            if not said and not found:
                attention.say("Nothing has changed with it so far. Leave it a little longer; Enter ends the wait.")
                said = True
            told = await attention.listen(min(by + ENOUGH, now + LOOK))

    async def _falls(self) -> list[Moved]:
        """Listen on until the likeliest has fallen, as far as that is soon; Enter ends it too."""
        attention, off_by = self._attention, self._switched[-1].off_by
        await attention.listen(off_by + AFTER)
        while True:
            found, now = self._followed(self._switched), attention.now()
            if (found and found[0].back) or now >= off_by + SLOWEST or await attention.listen(now + LOOK):
                return found

    def _followed(self, switched: Sequence[Switched]) -> list[Moved]:
        attention = self._attention
        return moved(attention.heard, switched, attention.now(), attention.left_out, self._since)
