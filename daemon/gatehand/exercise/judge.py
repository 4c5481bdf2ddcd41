"""What the measured moves of a gate mean: what is missing, exchanged or slow, and which `travel` to set. Pure."""

import math
from collections import Counter
from typing import Final

from gatehand.config.tables import Gate
from gatehand.exercise.results import Move, Remark, Weight
from gatehand.journal.sentences import spoken
from gatehand.text import listed, named
from gatehand_rules.words import Position

MARGIN: Final = 1.25
"""On the longest travel measured: common practice, no published source. Seals swell and drives age."""
STEP: Final = 0.1
"""Proposals are rounded up to this, seconds."""


def proposal(moves: tuple[Move, ...]) -> float | None:
    """The `travel` to set, seconds: the longest measured, with the margin, rounded up; None without a measurement."""
    longest = max((move.took for move in moves if move.took is not None), default=None)
    if longest is None:
        return None
    return max(STEP, round(math.ceil(round(longest * MARGIN / STEP, 6)) * STEP, 1))


def reported(name: str, gate: Gate, moves: tuple[Move, ...], objections: tuple[str, ...]) -> tuple[Remark, ...]:
    """Remarks on a gate that reports. `objections`: what the broker said to its commands."""
    found = _objected(objections)
    topic = gate.state.topic if gate.state is not None else ""
    missing = [move for move in moves if move.took is None]
    if missing:
        found.append(_failed(_why_missing(name, topic, moves, missing)))
    found += _slow(name, gate, moves)
    company = Counter(other for move in moves if move.took is not None for other in move.others)
    found += [
        _failed(
            f"Gate {spoken(other)} reported as well, {count} times: it moves with {spoken(name)}, "
            "or both listen to one topic."
        )
        for other, count in company.items()
        if count > 1
    ]
    return tuple(found)


def _why_missing(name: str, topic: str, moves: tuple[Move, ...], missing: list[Move]) -> str:
    said = spoken(name)
    answered = Counter(other for move in missing for other in move.others)
    if len(missing) == len(moves) and answered:
        other, count = answered.most_common(1)[0]
        if count > 1 or count == len(moves):
            return (
                f"Exchanged: when {said} was told to move, gate {spoken(other)} reported it. "
                f"Look which of the two gates moved: if {said} did, their state topics are exchanged, else their "
                "command topics."
            )
    opposite = [move for move in missing if move.opposite]
    # The first telling brings the word that was there already.
    if opposite and len(missing) - len(opposite) <= 1:
        return (
            f"It reports open when told shut, and shut when told open: look where {said} stands; then exchange the "
            "words open and shut, in its state if it moves rightly, in its command if it does not."
        )
    words = dict.fromkeys(f"{word!r}" for move in moves for word in move.words)
    if len(missing) == len(moves) and words:
        return (
            f"It says {listed(tuple(words), last='and')} on {topic}, which is neither its open nor its shut: if it "
            f"means them by it, write its words into [gate.{name}] state; else look at its end switches."
        )
    if len(missing) == len(moves):
        return (
            f"No report came on {topic} in {len(moves)} tellings. If it moved, look at its end switches and that "
            "topic; if not, look at its drive, its power and its command topic."
        )
    ways = Counter(move.to for move in missing)
    which = " and ".join(f"{named(count, 'time')} {to}" for to, count in ways.items())
    return f"{len(missing)} of {len(moves)} tellings brought no report ({which}): a loose end switch, or it sticks."


def _slow(name: str, gate: Gate, moves: tuple[Move, ...]) -> list[Remark]:
    """Slower than the config allows."""
    longest = max((move.took for move in moves if move.took is not None), default=0.0)
    if longest <= gate.travel:
        return []
    return [
        _failed(
            f"It needs up to {longest:.2f} s and travel allows {gate.travel:g} s: {spoken(name)} would be told again "
            f"and end in fault. Set travel = {proposal(moves):g}."
        )
    ]


def timed(name: str, gate: Gate, moves: tuple[Move, ...], objections: tuple[str, ...]) -> tuple[Remark, ...]:
    """Remarks on a gate that cannot report, timed by a person."""
    found = _objected(objections)
    still = [move.to for move in moves if move.took is None]
    if still:
        ways = " and ".join("open" if to is Position.OPEN else "shut" for to in still)
        found.append(_failed(f"It did not {ways} when told: look at its drive, its power and its command topic."))
    longest = max((move.took for move in moves if move.took is not None), default=0.0)
    if longest > gate.travel:
        found.append(
            _failed(
                f"It needs up to {longest:.2f} s by eye and travel is {gate.travel:g} s: {spoken(name)} would count as "
                f"open before it is. Set travel = {proposal(moves):g}."
            )
        )
    return tuple(found)


def _objected(objections: tuple[str, ...]) -> list[Remark]:
    """Each of them once, as a sentence."""
    said = dict.fromkeys(text if text.endswith("?") else f"{text}." for text in objections)
    return [_failed(f"{text[:1].upper()}{text[1:]}") for text in said]


def _failed(text: str) -> Remark:
    return Remark(Weight.FAILED, text)
