"""One gate: open and shut, several times, how long until it says so, and what those times mean.

Below, pure: what is missing, swapped or slow in the measured moves.
"""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, TypeAlias

from gatehand.config.tables import GateTable
from gatehand.exercise.question import NO, SKIP, Question
from gatehand.exercise.results import GateResult, How, Move, Remark, failed, longest, look, proposal
from gatehand.exercise.supervisor import BrokenOffError, HaltedError, Supervisor
from gatehand.journal.sentences import spoken
from gatehand.mqtt.client import ClientError
from gatehand.text import as_sentence, listed, named, shown
from gatehand_rules import events as ev
from gatehand_rules.words import Position

PATIENCE: Final = 3.0
"""So many times its travel a gate is given to report, to measure one that is slower than the config allows."""
LEAST_PATIENCE: Final = 6.0
AFTERTHOUGHT: Final = 0.25
"""Seconds after a report in which another gate may report too, and a bounce is over."""
BY_HAND_AFTERTHOUGHT: Final = 2.0
"""The same where a hand moves the gate."""
MOVES_AT_SOONEST: Final = 0.1
"""Seconds: no gate has gone its way sooner than this after it was told. Common practice, no published source."""
MUCH_SOONER: Final = 0.2
"""Of the way back: a gate that takes less is doubtful, unless it falls or springs. Common practice, no source."""
ENOUGH_SILENCE: Final = 4
"""Tellings in a row without any report, after which the rest is spared."""
_TO_SHUT: Final = Question("Look at it once more", "to tell it to shut")
_Tried: TypeAlias = tuple[How, tuple[Remark, ...]]
"""How a gate was exercised, and what is to be said of it; its moves are put into the list that was handed in."""
_STANDS: Final = {"open": Position.OPEN, "shut": Position.SHUT}
_OTHER: Final = {Position.OPEN: Position.SHUT, Position.SHUT: Position.OPEN}
_GOES: Final = {**_STANDS, "opening": Position.OPEN, "shutting": Position.SHUT}


def where_found(supervisor: Supervisor) -> dict[str, Position]:
    """Where each gate stands: by its report, else by what the daemon holds it for. Not known: left out."""
    found = {}
    states = supervisor.observed.daemon.states("gate")
    for name in supervisor.config.gate:
        reported = supervisor.observed.gates.get(name)
        by_daemon = _GOES.get(states.get(name, ""))
        position = reported if reported in _STANDS.values() else by_daemon
        if position is not None:
            found[name] = position
    return found


async def exercise(supervisor: Supervisor, name: str, rounds: int) -> GateResult:
    """Everything for one gate; in the end it is told to go where it was found, or shut.

    Raises:
        BrokenOffError, HaltedError, ClientError: amid this gate; what was measured of it is among the results.
    """
    moves: list[Move] = []
    try:
        return await _exercise(supervisor, name, rounds, moves)
    except (BrokenOffError, HaltedError, ClientError):
        travel, found = supervisor.config.gate[name].travel, supervisor.found.get(name)
        supervisor.result.gates.append(GateResult(name, How.BROKEN_OFF, tuple(moves), travel=travel, found=found))
        raise


async def _exercise(supervisor: Supervisor, name: str, rounds: int, moves: list[Move]) -> GateResult:
    gate = supervisor.config.gate[name]
    if gate.command is None:
        how, remarks = await _by_hand(supervisor, name, gate, moves)
        return GateResult(name, how, tuple(moves), remarks, gate.travel)
    supervisor.moving, supervisor.objections = name, []
    found = supervisor.found.get(name)
    left = found or Position.SHUT
    if gate.state is not None:
        how, remarks = await _reporting(supervisor, name, rounds, left, moves)
    elif supervisor.person:
        how, remarks = await _timed(supervisor, name, left, moves)
    else:
        how, remarks = await _unseen(supervisor, name, gate, left)
    supervisor.moving = None
    told = None if how is How.SKIPPED and not remarks else left
    doubtful = how is How.REPORTED and any(too_soon(moves))
    travel = None if doubtful else proposal(moves)
    return GateResult(name, how, tuple(moves), remarks, gate.travel, travel, found, told)


async def _reporting(supervisor: Supervisor, name: str, rounds: int, left: Position, moves: list[Move]) -> _Tried:
    gate = supervisor.config.gate[name]
    patience = max(LEAST_PATIENCE, PATIENCE * gate.travel)
    waiting = f"waiting up to {patience:g} s for its report"
    if supervisor.observed.gates.get(name) is not Position.SHUT:
        # Not measured: its beginning is not known.
        supervisor.world.say(f"  Told to shut; {waiting}.")
        await move(supervisor, name, Position.SHUT, patience)
    for _ in range(rounds):
        for to in (Position.OPEN, Position.SHUT):
            # A gate that answers goes on without a word.
            if not moves or moves[-1].took is None:
                supervisor.world.say(f"  Told to {to}; {waiting}.")
            moves.append(await move(supervisor, name, to, patience))
            if len(moves) == 1 and _is_silent(moves[0]):
                supervisor.world.say(f"  {_nothing_reported(gate)}")
            if len(moves) == 1 and (took := _took(moves[0])) < MUCH_SOONER * gate.travel:
                # It may not have arrived; its way back is to be long enough to show that.
                await supervisor.wait(took / MUCH_SOONER)
        if len(moves) >= ENOUGH_SILENCE and longest(moves[-ENOUGH_SILENCE:]) is None:
            break
        if any(_too_soon_to_be(moves)):
            # Whatever follows is measured on a gate that has hardly moved.
            break
    remarks = tuple(judge_reported(name, gate, moves, supervisor.objections))
    # It stands shut after the last round, as far as anybody knows.
    if left is not Position.SHUT or moves[-1].took is None:
        await move(supervisor, name, left, max(1.0, gate.travel))
    return How.REPORTED, remarks


def _is_silent(move: Move) -> bool:
    """Nobody said anything, not even something else."""
    return move.took is None and not (move.opposite or move.others or move.words)


def _nothing_reported(gate: GateTable, tellings: str = "") -> str:
    reports_on = gate.state.topic if gate.state is not None else ""
    if gate.command is None:
        return f"Nothing was reported on {reports_on}: look at its end switches, at its power and at that topic."
    return (
        f"Nothing was reported on {reports_on}{tellings}; it was told {shown(gate.command.open)} on "
        f"{gate.command.topic}. If it moved, look at its end switches and at the topic that it reports on; if not, "
        "look at the topic and the word that it is told, at its drive and its power."
    )


async def move(supervisor: Supervisor, name: str, to: Position, patience: float) -> Move:
    """One telling, until its report, or until it will hardly come any more."""
    before = supervisor.observed.gates.get(name)
    travel = max(1.0, supervisor.config.gate[name].travel)
    began = supervisor.world.now()
    await supervisor.tell(name, to)
    until = began + patience
    took: float | None = None
    opposite = False
    others: dict[str, None] = {}
    words: dict[str, None] = {}
    while supervisor.world.now() < until:
        for event in reports(await supervisor.next(until)):
            at = supervisor.heard_at
            if event.gate != name:
                if event.position is to:
                    others[event.gate] = None
                    until = min(until, at + travel)
            elif event.says:
                words[event.says] = None
            elif event.position is to and took is None:
                took = at - began
                until = at + AFTERTHOUGHT
            elif took is None and event.position is not Position.BETWEEN and before is not event.position:
                opposite = True
                until = min(until, at + travel)
    return Move(to, None if took is None else round(took, 3), opposite and took is None, tuple(others), tuple(words))


def reports(happening: Sequence[ev.Event] | str) -> Iterable[ev.GateReport]:
    """Live reports among what happened; a retained one may be from any time."""
    for event in happening:
        if isinstance(event, ev.GateReport) and not event.retained:
            yield event


# Gates that cannot report, and gates that a hand moves


async def _unseen(supervisor: Supervisor, name: str, gate: GateTable, left: Position) -> _Tried:
    """It cannot report and nobody looks: moved once, and so much is said."""
    for to in (Position.OPEN, Position.SHUT, *((Position.OPEN,) if left is Position.OPEN else ())):
        await supervisor.tell(name, to)
        await supervisor.wait(gate.travel)
    remark = look("It cannot report and nobody looked: its travel was not measured.")
    return How.UNSEEN, (*_objected(supervisor.objections), remark)


async def _timed(supervisor: Supervisor, name: str, left: Position, moves: list[Move]) -> _Tried:
    """It cannot report: the person's Enter says when it has arrived."""
    world, gate = supervisor.world, supervisor.config.gate[name]
    ready = Question(f"Gate {spoken(name)} cannot report. Stand where you see it", "to tell it to open")
    if await supervisor.answer(ready) == SKIP:
        return How.SKIPPED, ()
    await supervisor.tell(name, Position.SHUT)
    await supervisor.wait(gate.travel)
    for to in (Position.OPEN, Position.SHUT):
        began = world.now()
        await supervisor.tell(name, to)
        arrives = Question(f"It is told to {to}. Look at it", f"the moment that it is {to}", no="it does not move")
        answer = await supervisor.answer(arrives)
        moves.append(Move(to, None if answer == NO else round(world.now() - began, 3)))
        if answer == SKIP or (to is Position.OPEN and await supervisor.answer(_TO_SHUT) == SKIP):
            await supervisor.tell(name, left)
            moves.clear()
            return How.SKIPPED, (look("It was left out in the middle of its moves: its travel was not measured."),)
    if left is not Position.SHUT:
        await supervisor.tell(name, left)
        await supervisor.wait(gate.travel)
    return How.TIMED, tuple(judge_timed(name, gate, moves, supervisor.objections))


async def _by_hand(supervisor: Supervisor, name: str, gate: GateTable, moves: list[Move]) -> _Tried:
    """A hand moves it; its reports are what is tried."""
    if not supervisor.person:
        remark = look("A hand moves it, and nobody was there: its reports were not tried.")
        return How.SKIPPED, (remark,)
    for to, verb in ((Position.OPEN, "Open"), (Position.SHUT, "Shut")):
        if supervisor.observed.gates.get(name) is to:
            continue
        supervisor.ask(Question(f"{verb} gate {spoken(name)} by hand, now", "when done"))
        if (move := await _moved_by_hand(supervisor, name, to)) is None:
            moves.clear()
            return How.SKIPPED, ()
        moves.append(move)
    return How.BY_HAND, tuple(judge_reported(name, gate, moves, []))


async def _moved_by_hand(supervisor: Supervisor, name: str, to: Position) -> Move | None:
    """None: skipped."""
    others: dict[str, None] = {}
    until = float("inf")
    while supervisor.world.now() < until:
        happening = await supervisor.reply(until)
        if happening == SKIP:
            return None
        if isinstance(happening, str):
            until = supervisor.world.now() + BY_HAND_AFTERTHOUGHT
        for event in reports(happening):
            if event.gate == name and event.position is to:
                return Move(to, 0.0)
            if event.gate != name and event.position is to:
                others[event.gate] = None
                until = min(until, supervisor.world.now() + BY_HAND_AFTERTHOUGHT)
    return Move(to, None, others=tuple(others))


# What the moves mean


def judge_reported(name: str, gate: GateTable, moves: list[Move], objections: list[str]) -> Iterator[Remark]:
    """Remarks on a gate that reports. `objections`: what the broker said to its commands."""
    yield from _objected(objections)
    missing = [move for move in moves if move.took is None]
    if missing:
        yield failed(_why_missing(name, gate, moves, missing))
    # A hand's moves have no times.
    doubts = [] if gate.command is None else [*too_soon(moves)]
    yield from doubts
    if (most := longest(moves) or 0.0) > gate.travel:
        what_to_do = (
            "Look at its words first, then exercise it again" if doubts else f"Set travel = {proposal(moves):g}"
        )
        yield failed(
            f"It needs up to {most:.2f} s and travel allows {gate.travel:g} s: {spoken(name)} would be told again "
            f"and be called faulty. {what_to_do}."
        )
    company = Counter(other for move in moves if move.took is not None for other in move.others)
    for other, count in company.items():
        if count > 1:
            yield failed(
                f"Gate {spoken(other)} reported as well, {named(count, 'time')}: it moves with {spoken(name)}, "
                "or both listen to one topic."
            )


def too_soon(moves: Sequence[Move]) -> Iterator[Remark]:
    """Reports that came before the gate can have gone its way; no travel is to be proposed from any of its moves."""
    impossible = [*_too_soon_to_be(moves)]
    for move in impossible:
        other = _OTHER[move.to]
        yield failed(
            f"{move.to.capitalize()} was reported {move.took:.2f} s after it was told, before the gate can have moved: "
            f"this word seems to mean 'no longer {other}', or the device repeats what it is told. Look for another "
            f"word or pointer for fully {move.to}. No travel is proposed."
        )
    for to, other in () if impossible else _OTHER.items():
        there, back = ([move.took for move in moves if move.to is way and move.took is not None] for way in (to, other))
        if there and back and max(there) < MUCH_SOONER * max(back):
            yield look(
                f"{to.capitalize()} was reported {max(there):.2f} s after it was told, {other} only after "
                f"{max(back):.2f} s: unless the gate falls or springs {to}, this word seems to mean 'no longer "
                f"{other}'; then look for another word or pointer for fully {to}. No travel is proposed."
            )


def _too_soon_to_be(moves: Sequence[Move]) -> Iterator[Move]:
    """The soonest report each way, where it came sooner than any gate moves."""
    for to in _OTHER:
        soonest = min((move for move in moves if move.to is to and move.took is not None), key=_took, default=None)
        if soonest is not None and _took(soonest) < MOVES_AT_SOONEST:
            yield soonest


def _took(move: Move) -> float:
    return math.inf if move.took is None else move.took


def _why_missing(name: str, gate: GateTable, moves: list[Move], missing: list[Move]) -> str:
    said, topic = spoken(name), gate.state.topic if gate.state is not None else ""
    answered = Counter(other for move in missing for other in move.others)
    if len(missing) == len(moves) and answered:
        other, count = answered.most_common(1)[0]
        if count > 1 or count == len(moves):
            return (
                f"Swapped: when {said} was told to move, gate {spoken(other)} reported it. "
                f"Check which of the two gates moved: if {said} did, their state topics are swapped, else their "
                "command topics."
            )
    opposite = [move for move in missing if move.opposite]
    # The first telling brings the word that was there already.
    if opposite and len(missing) - len(opposite) <= 1:
        return (
            f"It reports open when told to shut, and shut when told to open: look where {said} is; then exchange "
            f"the "
            "words open and shut, in its state if it moves the right way, in its command if it does not."
        )
    words = dict.fromkeys(f"{word!r}" for move in moves for word in move.words)
    if len(missing) == len(moves) and words:
        return (
            f"It says {listed(tuple(words), last='and')} on {topic}, which is neither its open nor its shut: if it "
            f"means them by it, write its words into [gate.{name}] state; else look at its end switches."
        )
    if len(missing) == len(moves):
        return _nothing_reported(gate, f" in {named(len(moves), 'try', 'tries')}")
    ways = Counter(move.to for move in missing)
    which = " and ".join(f"{named(count, 'time')} {to}" for to, count in ways.items())
    moved = named(len(moves), "command")
    return f"{len(missing)} of {moved} brought no report ({which}): a loose end switch, or it sticks."


def judge_timed(name: str, gate: GateTable, moves: list[Move], objections: list[str]) -> Iterator[Remark]:
    """Remarks on a gate that cannot report, timed by a person."""
    yield from _objected(objections)
    if ways := " and ".join(move.to for move in moves if move.took is None):
        yield failed(f"It did not {ways} when told: look at its drive, its power and its command topic.")
    if (most := longest(moves) or 0.0) > gate.travel:
        yield failed(
            f"It needs up to {most:.2f} s by eye and travel is {gate.travel:g} s: {spoken(name)} would count as "
            f"open before it is. Set travel = {proposal(moves):g}."
        )


def _objected(objections: list[str]) -> Iterator[Remark]:
    """Each of them once, as a sentence."""
    return map(failed, dict.fromkeys(map(as_sentence, objections)))
