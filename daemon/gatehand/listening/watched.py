"""Which signals followed a thing that a person switched on and off, or pressed: those that changed then and only then.

A number follows that lay low before, high meanwhile and low again afterwards; a word, that was another meanwhile. What
only rises (energy, times), what is as high at rest too (random, another machine) does not. How far the levels lie
apart, how likely chance could have sorted that few readings so, how soon it changed and what its name says, each
between 0 and 1, make the rank together.

What did so only from the question on, and also changed before it, ranks lower and says so: somebody may have touched it
too early, or it changes by chance.
"""

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from math import comb, exp, log10, prod
from typing import Final, TypeAlias

from gatehand.listening.cycles import Cycle, Pressed, Switched, newer, phases, rest_s, work_s
from gatehand.listening.cycles import cycles as each_cycle
from gatehand.listening.found import Follower, Level, Press, level, middle, span
from gatehand.listening.observed import HeardSignal, Listening
from gatehand.listening.roles import Certainty, Taken, is_command, taken_for
from gatehand.listening.trace import Sample, Trace
from gatehand.text import shown
from gatehand_rules.words import Measure

PROMPT: Final = 5.0
"""Seconds, and one and a half of its rhythm besides, within which what follows has changed."""
LONGEST_WAIT: Final = 20.0
"""Seconds that a meter's message is waited for at most, where its rhythm is not known yet."""
CLEAR: Final = 1.3
"""Work begins at no less than this many times the top of rest."""
_FALLS: Final = 0.7
"""Of its rise it falls at least this share again."""
_MANY: Final = 64
"""With so many readings chance is beyond all doubt."""
_NO_WORD: Final = re.compile(r"^-?\d+\.\d|\d{4}")
"""A fraction, a year, a large number: no word of a switch or button."""

# What lowers a rank, by how much: set so that the right one of tests/listening's drawn shops comes first.
_NAMED: Final = {Certainty.NAME: 1.0, Certainty.SIZE: 0.85, Certainty.NONE: 0.35}
_WORD: Final = 0.8
_NOT_BACK: Final = 0.5
_LATE: Final = 0.5
_COMMAND: Final = 0.5
_ALSO_ONCE: Final = 0.4
"""It changed at other times too, and followed once;"""
_ALSO_TWICE: Final = 0.75
"""or more often."""
_WORTH: Final = 0.05
"""Below this it changes all the time, and is no answer."""
ALSO: Final = "; changed at other times too"


def followers(
    heard: Listening,
    switched: Sequence[Switched],
    until: float,
    leave_out: Callable[[str], bool] = lambda _: False,
    since: float | None = None,
) -> list[Follower]:
    """What followed a thing switched on and off, once or several times, likeliest first.

    Args:
        heard: since some while before the first switching.
        switched: what was done, in order.
        until: now; what came up to it is after the last switching.
        leave_out: topics that are not looked at, such as the daemon's own.
        since: what was said before is forgotten, but for what still held then.
    """
    cycles = list(each_cycle(switched, until, since))
    began = _began(heard)
    found = [
        one
        for signal in heard.signals()
        if not leave_out(signal.topic) and len(signal.trace)
        for judge in (_numbers, _words)
        if (one := judge(signal, cycles) or _from_the_question(judge, signal, cycles, began)) is not None
    ]
    return sorted(found, key=lambda one: -one.rank)


def changed(heard: Listening, since: float, until: float, leave_out: Callable[[str], bool]) -> list[HeardSignal]:
    """What could be a sensor and changed meanwhile, whenever that was; as it was first heard."""

    def did(signal: HeardSignal) -> bool:
        said = [one for one in signal.trace.between(since, until) if one.live]
        if not said or leave_out(signal.topic) or is_command(signal.topic):
            return False
        numbers = _as_numbers(said)
        if numbers and not _is_contact(signal):
            able = taken_for(signal.topic, signal.pointer, max(numbers)).measure is not None
            return able and max(numbers) > CLEAR * max(0.0, min(numbers))
        return signal.few_values and _is_word_like(signal) and len({one.word for one in said}) > 1

    return [signal for signal in heard.signals() if did(signal)]


def _began(heard: Listening) -> float:
    """When the first of all was heard."""
    return min((signal.first_at for signal in heard.signals()), default=0.0)


_Judge: TypeAlias = "Callable[[HeardSignal, Sequence[Cycle]], Follower | None]"


def _from_the_question(judge: _Judge, signal: HeardSignal, cycles: Sequence[Cycle], began: float) -> Follower | None:
    """The same where of all that was said before each switching only what held then counts.

    That it changed before counts against it, and the more so the likelier chance put its changes where they were asked
    for: changes that come by chance as often as they did besides (a Poisson process), but for one stray movement.
    """
    found = judge(signal, [replace(cycle, begin=cycle.done.on_after, rested=True) for cycle in cycles])
    if found is None:
        return None
    within = PROMPT + 1.5 * _waits(signal)
    spans = [(one.done.on_after, one.done.off_by + within) for one in cycles]
    rate = max(0, _changes_besides(signal.trace, spans) - 2) / max(1.0, spans[0][0] - began)
    chance = prod(
        _some(rate * (one.done.on_by + within - one.done.on_after))
        * _some(rate * (one.done.off_by + within - one.done.off_after))
        for one in cycles
    )
    rank = found.rank * (_ALSO_TWICE if len(cycles) > 1 else _ALSO_ONCE) * (1.0 - chance)
    return replace(found, rank=rank, because=found.because + ALSO, also=True) if rank >= _WORTH else None


def _changes_besides(trace: Trace, spans: Sequence[tuple[float, float]]) -> int:
    return sum(
        one.live and one.value != last.value and not any(begin <= one.at <= end for begin, end in spans)
        for last, one in pairwise(trace)
    )


def _some(expected: float) -> float:
    """How probable at least one is, where so many are expected."""
    return 1.0 - exp(-expected)


def _numbers(signal: HeardSignal, cycles: Sequence[Cycle]) -> Follower | None:
    if not signal.numbers or _is_contact(signal):
        return None
    rest: list[float] = []
    work: list[float] = []
    fallen = True
    for cycle in cycles:
        said, done = phases(signal.trace, cycle), cycle.done
        during = _as_numbers(newer(said.during, signal.trace.before(done.on_by)))
        after = _as_numbers(newer(said.after, signal.trace.before(done.off_by)))
        before = _as_numbers(said.before)
        if not during or not (before or after):
            return None
        high = middle(during)
        if after and before and said.after[-1].at < cycle.done.off_by and middle(after) > (high + middle(before)) / 2:
            after = []  # said before it was off
        then = middle(after or before)
        if before and after and not said.before[0].live and middle(before) >= (high + then) / 2:
            before = []  # held back since it last worked
        low = middle(before or after)
        if high <= low or high - then < _FALLS * (high - low):
            return None  # what only rises, as energy does
        fallen = fallen and bool(after)
        rest += (*before, *after)
        work += during
    idle, working = level(rest, rest_s(cycles)), level(work, work_s(cycles))
    if working.low < CLEAR * max(idle.high, 0.0) or working.low <= idle.high:
        return None
    taken = taken_for(signal.topic, signal.pointer, working.middle)
    apart = 0.4 + 0.6 * min(1.0, log10(working.low / max(idle.high, working.low / 10)))
    rank = apart * _NAMED[taken.certainty] * _evidence(signal, cycles, len(rest), len(work), _above(idle, working))
    because = f"{span(idle)} at rest, {span(working)} while it was on"
    if not fallen:
        rank *= _NOT_BACK
        because += "; silent since it was switched off"
    return Follower(signal, rank, because, taken, idle, working, back=fallen)


def _words(signal: HeardSignal, cycles: Sequence[Cycle]) -> Follower | None:
    if not signal.few_values or not _is_word_like(signal):
        return None
    taken = taken_for(signal.topic, signal.pointer)
    if signal.numbers and not _is_contact(signal) and taken.measure is not None:
        return None
    whole = [phases(signal.trace, cycle) for cycle in cycles]
    ons = {one.word for each in whole for one in each.during}
    if len(ons) != 1 or not all(each.during for each in whole):
        return None
    (on,) = ons
    befores = [
        one.word
        for each, cycle in zip(whole, cycles, strict=True)
        for one in each.before
        if (one.live or one.word != on) and not (one.word == on and _left_meanwhile(signal, on, cycle))
    ]
    said_off = [
        [one for one in each.after if one.word != on or one.at > cycle.done.off_by]
        for each, cycle in zip(whole, cycles, strict=True)
    ]
    afters = [one.word for here in said_off for one in here]
    offs = set(afters or befores)
    if on in befores or on in afters or len(offs) > 1 or (signal.numbers and not {*befores} <= offs):
        return None
    off = next(iter(offs), None)
    back = all(said_off)
    rest, work = len(befores) + len(afters), sum(len(each.during) for each in whole)
    rank = _WORD * _evidence(signal, cycles, rest, work, lambda one: one.word == on)
    rank *= (1.0 if back else _NOT_BACK) * (1.0 if off is not None and {*befores} <= offs else _NOT_BACK)
    if signal.numbers and taken.other:
        rank *= _NAMED[Certainty.NONE]
    if off is None:
        because = f"said {shown(on)} when it was switched on, and nothing before or since"
    else:
        when = "before and after" if befores and back else "after" if back else "before"
        because = f"said {shown(on)} while it was on, {shown(off)} {when}"
    contact = Taken(Measure.RUNNING, 1.0, "it says words", Certainty.SIZE)
    return Follower(signal, rank, because, contact, on=on, off=off, back=back)


def _left_meanwhile(signal: HeardSignal, on: str, cycle: Cycle) -> bool:
    """Whether it was on when it was asked for, and was brought off first: of what was before only what held counts."""
    done = cycle.done
    off = any(one.live and one.word != on for one in signal.trace.between(done.on_after, done.on_by))
    return off and cycle.begin >= done.on_after


def presses(
    heard: Listening,
    pressed: Sequence[Pressed],
    leave_out: Callable[[str], bool] = lambda _: False,
    since: float | None = None,
) -> list[Press]:
    """What spoke at each press, and not so besides; likeliest first. Only what came live counts. As `followers`."""
    began = _began(heard)
    found = [
        one
        for signal in heard.signals()
        if signal.few_values and not leave_out(signal.topic) and _is_word_like(signal)
        if (one := _press(signal, pressed, since) or _press_from_the_question(signal, pressed, began)) is not None
    ]
    return sorted(found, key=lambda one: -one.rank)


def _press_from_the_question(signal: HeardSignal, pressed: Sequence[Pressed], began: float) -> Press | None:
    """As `_from_the_question`."""
    found = _press(signal, pressed, pressed[0].after)
    if found is None:
        return None
    first = pressed[0].after
    often = sum(one.live and one.word == found.pressed and one.at < first for one in signal.trace)
    rate = max(0, often - 1) / max(1.0, first - began)
    chance = prod(_some(rate * (each.by - each.after)) for each in pressed)
    rank = found.rank * (_ALSO_TWICE if len(pressed) > 1 else _ALSO_ONCE) * (1.0 - chance)
    return replace(found, rank=rank, because=found.because + ALSO, also=True) if rank >= _WORTH else None


def _press(signal: HeardSignal, pressed: Sequence[Pressed], since: float | None = None) -> Press | None:
    during = [[one for one in signal.trace.between(each.after, each.by) if one.live] for each in pressed]
    at = {one.at for here in during for one in here}
    besides = [one for one in signal.trace if not (one.live and one.at in at)]
    if since is not None:  # what held then counts, where it is not the very word of the presses
        held = signal.trace.before(since)
        counts = held is not None and all(any(one.word != held.word for one in here) for here in during)
        besides = [one for one in besides if one.at > since or (counts and one == held)]
    usual = Counter(one.word for one in besides)
    said = [[one.word for one in here if one.word not in usual] for here in during]
    if not all(said) or not all(said[0][0] in here for here in said):
        return None
    word = said[0][0]
    # Its release: what it says at the end of each press, else what it always said besides.
    last = {here[-1].word for here in during}
    ends = last if len(last) == 1 and word not in last else set(usual) if len(usual) == 1 else set()
    released = next(iter(ends), None)
    live = sum(one.live and (since is None or one.at > since) for one in besides)
    # How probable a word never said before is of it: the share of words said once (Good 1953, "The population
    # frequencies of species and the estimation of population parameters", Biometrika 40, 237-264).
    new = sum(count == 1 for count in usual.values()) / len(besides) if live else 0.0
    rank = (1.0 - new) * (0.8 if live else 1.0) * (1.0 if len(pressed) > 1 else 0.9)
    if taken_for(signal.topic, signal.pointer).other:
        rank *= _NAMED[Certainty.NONE]
    if signal.numbers and not _is_contact(signal):
        rank *= _NOT_BACK
    if is_command(signal.topic):
        rank *= _COMMAND
    because = f"said {shown(word)} when it was pressed"
    because += f", {shown(released)} when it was let go" if released is not None else ""
    because += "; otherwise other words" if live and released is None else ""
    return Press(signal, rank, because, word, released)


def _as_numbers(phase: Sequence[Sample]) -> list[float]:
    return [one.value for one in phase if isinstance(one.value, float)]


def _is_contact(signal: HeardSignal) -> bool:
    """Whether it only ever said 0 or 1."""
    return signal.few_values and signal.words.keys() <= {"0", "1"}


def _is_word_like(signal: HeardSignal) -> bool:
    """Whether its values could be words: no fractions, no dates."""
    return not any(_NO_WORD.search(word) for word in signal.words)


def _evidence(
    signal: HeardSignal, cycles: Sequence[Cycle], rest: int, work: int, is_on: Callable[[Sample], bool]
) -> float:
    """0 to 1: that it is no chance, that it was prompt, and that its topic is not where others are told something.

    Chance would sort `rest` and `work` readings of no meaning so in 1 of `comb` cases; or would let the only changes of
    the whole while fall into the moments of switching.
    """
    within = PROMPT + 1.5 * _waits(signal)
    chance = 1 / comb(rest + work, work) if rest + work < _MANY else 0.0
    late = False
    changes = 0
    moments = 1.0
    for cycle in cycles:
        done, span = cycle.done, cycle.end - cycle.begin
        here = [one for one in signal.trace.between(cycle.begin, cycle.end) if one.live]
        first = next((one for one in here if one.at >= done.on_after and is_on(one)), None)
        late = late or first is None or first.at > done.on_by + within
        changes += sum(is_on(one) != is_on(before) for before, one in pairwise(here))
        windows = (done.on_by + within - done.on_after, done.off_by + within - done.off_after)
        moments *= min(1.0, 2 * windows[0] * windows[1] / max(span, 0.001) ** 2)
    if changes <= 2 * len(cycles):
        chance = min(chance, moments)
    return (1.0 - chance) * (_LATE if late else 1.0) * (_COMMAND if is_command(signal.topic) else 1.0)


def _waits(signal: HeardSignal) -> float:
    """Seconds that may pass before it says what has changed: its rhythm; before that is known, its shortest gap."""
    rhythm = signal.rhythm
    if rhythm is not None:
        return rhythm.every if rhythm.steady and not rhythm.on_change else 0.0
    live = [one.at for one in signal.trace if one.live]
    return min(LONGEST_WAIT, min((after - before for before, after in pairwise(live)), default=0.0))


def _above(idle: Level, working: Level) -> Callable[[Sample], bool]:
    border = (idle.high + working.low) / 2
    return lambda one: isinstance(one.value, float) and one.value > border
