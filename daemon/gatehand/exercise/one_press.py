"""One stop contact, reset button or hand button: the person presses it once, and its word is heard, or another.

Nothing moves meanwhile. A stop contact's press holds what its daemon runs; it is only watched: Gatehand is no emergency
stop, and what the stop itself does is looked at elsewhere.
"""

from dataclasses import replace
from typing import Final

from gatehand.config.signals import Signal
from gatehand.exercise.observed_state import PressHeard, press_words
from gatehand.exercise.question import SKIP, Question
from gatehand.exercise.results import PressResult, Remark, failed, look
from gatehand.exercise.supervisor import Supervisor
from gatehand.text import listed
from gatehand_rules.timing import Timing

LISTEN: Final = 5.0
"""Seconds after the person's Enter, and after a press for its release, in which a word may still come."""
AFTERTHOUGHT: Final = 1.0
"""Seconds after the last word in which a bounce is over and the daemon has done what it does."""
CAUTION: Final = """\
Stop contacts and buttons are pressed once each. Press a stop with nobody at a machine: what it is wired to stops.
Gatehand only watches its contact and is not a safety device: try the stop itself as its maker says."""
_OR_NOTHING: Final = "if nothing is heard"


async def exercise(supervisor: Supervisor, signal: Signal) -> PressResult:
    """Ask for the press, and for its end where it has one, and look at both."""
    heard, world, whose = supervisor.observed.presses[signal.path], supervisor.world, not_tried(signal).whose
    asked = world.now()
    how = " for half a second" if signal.key == "reset" else ""
    supervisor.ask(Question(f"Press the {whose}{how}", _OR_NOTHING))
    pressed = await _await_word(supervisor, heard, asked, pressed=True)
    if pressed == SKIP:
        return not_tried(signal)
    if isinstance(pressed, str):
        remark: Remark | None = failed(_why_not_heard(supervisor, signal, asked))
    else:
        world.say(f"  Heard: {heard.last!r} on {signal.topic}.")
        if signal.key == "reset":
            await supervisor.hold_on(signal.name)
        remark = await _release(supervisor, signal, heard, pressed)
    await supervisor.wait(AFTERTHOUGHT)
    words = tuple(dict.fromkeys(each.word for each in heard.since(asked)))
    remarks = () if remark is None else (remark,)
    return replace(not_tried(signal), tried=True, heard=words, remarks=remarks)


def not_tried(signal: Signal) -> PressResult:
    """Left out."""
    return PressResult(signal.kind, signal.name, signal.key, signal.topic, tried=False)


async def _await_word(supervisor: Supervisor, heard: PressHeard, asked: float, *, pressed: bool) -> float | str:
    """When the word for it came; else "skip", or "" where the person waits no longer."""
    until = float("inf")
    while supervisor.world.now() < until:
        if (found := heard.first(asked, is_pressed=pressed)) is not None:
            return found
        reply = await supervisor.reply(until)
        if reply == SKIP:
            return SKIP
        if isinstance(reply, str):
            until = supervisor.world.now() + LISTEN
    return ""


async def _release(supervisor: Supervisor, signal: Signal, heard: PressHeard, pressed: float) -> Remark | None:
    """Its end: a stop contact's is asked for, a reset's comes by itself, a hand button's means nothing."""
    if signal.key == "button":
        return None
    if signal.key == "reset":
        return await _of_reset(supervisor, signal, heard, pressed)
    supervisor.ask(Question(f"Release the {not_tried(signal).whose}", _OR_NOTHING))
    released = await _await_word(supervisor, heard, pressed, pressed=False)
    if released == SKIP:
        return look(f"Its release was not tried{'' if supervisor.person else ': nobody was there any more'}.")
    if isinstance(released, str):
        clear = press_words(signal)["clear"]
        return failed(
            f"Released, it still says {heard.last!r} on {signal.topic}, not its clear {clear!r}: nothing starts until "
            "it does."
        )
    supervisor.world.say(f"  Heard: {heard.last!r} on {signal.topic}.")
    return None


async def _of_reset(supervisor: Supervisor, signal: Signal, heard: PressHeard, pressed: float) -> Remark | None:
    until = pressed + LISTEN
    while (released := heard.first(pressed, is_pressed=False)) is None and supervisor.world.now() < until:
        await supervisor.next(until)
    timing = Timing()
    counts = f"a reset counts when it is held for {timing.reset_shortest:g} to {timing.reset_longest:g} s"
    if released is None:
        word = press_words(signal)["released"]
        return failed(f"Its released {word!r} never came on {signal.topic}: {counts}, so this press ends no hold.")
    if (held := released - pressed) < timing.reset_shortest:
        return failed(
            f"Its two words came {held:.3f} s apart: {counts}. Hold it longer, or let the device say both as they are."
        )
    if held > timing.reset_longest:
        return look(f"It was held for {held:.1f} s: {counts}.")
    return None


def _why_not_heard(supervisor: Supervisor, signal: Signal, asked: float) -> str:
    heard, table, topic = supervisor.observed.presses[signal.path], ".".join(signal.path[:2]), signal.topic
    words = press_words(signal)
    for other in supervisor.config.signals():
        instead = supervisor.observed.presses.get(other.path)
        if instead is not None and other.path != signal.path and instead.first(asked, is_pressed=True) is not None:
            who = not_tried(other).whose
            return f"Not heard; the {who} said {instead.last!r} on {other.topic} instead: the topics are swapped."
    came = heard.since(asked)
    if odd := dict.fromkeys(repr(each.word) for each in came if each.is_pressed is None):
        wanted = listed((f"its {key} {word!r}" for key, word in words.items()), last="nor")
        verb = f"{'is' if len(odd) == 1 else 'are'} {'neither' if len(words) > 1 else 'not'}"
        came_there = f"On {topic} came {listed(odd, last='and')}, which {verb} {wanted}"
        return f"{came_there}: write the word that it uses into [{table}]."
    if came:
        return (
            f"On {topic} came only {came[-1].word!r}, its word for not pressed: if it says that when it is pressed, as "
            f"a normally closed contact may, exchange the words in [{table}]; else look at the contact and its wiring."
        )
    if heard.unreadable:
        return f"What came on {topic} cannot be read: {heard.unreadable}. Correct [{table}] (pointer, words)."
    return f"Nothing came on {topic}: look at that topic in [{table}], and at the device's power and network."
