"""One gate: open and shut, several times, and how long until it says so. Judging is `judge`'s."""

from collections.abc import Iterable
from typing import Final

from gatehand.config.tables import Gate
from gatehand.exercise import judge
from gatehand.exercise.attendant import Attendant, is_quit, is_skip
from gatehand.exercise.bench import BrokenOffError, NobodyThere, Typed
from gatehand.exercise.results import GateResult, How, Move, Remark, Weight
from gatehand.journal.sentences import spoken
from gatehand_rules import events as ev
from gatehand_rules.words import Position

PATIENCE: Final = 3.0
"""So many times its travel a gate is given to report, to measure one that is slower than the config allows."""
LEAST_PATIENCE: Final = 6.0
AFTERTHOUGHT: Final = 0.25
"""Seconds after a report in which another gate may report too, and a bounce is over."""
ENOUGH_SILENCE: Final = 4
"""Tellings in a row without any report, after which the rest is spared."""
_ON_ITS_WAY: Final = {"opening": Position.OPEN, "shutting": Position.SHUT}
_STANDS: Final = {"open": Position.OPEN, "shut": Position.SHUT}


def where_found(attendant: Attendant) -> dict[str, Position]:
    """Where each gate stands: by its report, else by what the daemon holds it for. Not known: left out."""
    found = {}
    for name in attendant.config.gate:
        reported = attendant.ears.gates.get(name)
        word = attendant.ears.gate_states.get(name, "")
        by_daemon = _STANDS.get(word) or _ON_ITS_WAY.get(word)
        position = reported if reported in _STANDS.values() else by_daemon
        if position is not None:
            found[name] = position
    return found


async def exercise(attendant: Attendant, name: str, rounds: int, found: dict[str, Position]) -> GateResult:
    """Everything for one gate; in the end it is told to go where it was found, or shut."""
    gate = attendant.config.gate[name]
    if gate.command is None:
        return await _by_hand(attendant, name, gate)
    attendant.moving = name
    if gate.state is not None:
        result = await _reporting(attendant, name, gate, rounds, found.get(name))
    elif attendant.person:
        result = await _timed(attendant, name, gate, found.get(name))
    else:
        result = await _unseen(attendant, name, gate, found.get(name))
    attendant.moving = None
    return result


async def _reporting(attendant: Attendant, name: str, gate: Gate, rounds: int, found: Position | None) -> GateResult:
    objections: list[str] = []
    if attendant.ears.gates.get(name) is not Position.SHUT:
        await _move(attendant, name, gate, Position.SHUT, objections)  # not measured: its beginning is not known
    moves: list[Move] = []
    for _ in range(rounds):
        moves += [await _move(attendant, name, gate, to, objections) for to in (Position.OPEN, Position.SHUT)]
        last = moves[-ENOUGH_SILENCE:]
        if len(last) == ENOUGH_SILENCE and all(move.took is None for move in last):
            break
    left = await _restore(attendant, name, gate, found, moves[-1])
    measured = tuple(moves)
    return GateResult(
        name,
        How.REPORTED,
        measured,
        judge.reported(name, gate, measured, tuple(objections)),
        gate.travel,
        judge.proposal(measured),
        found,
        left,
    )


async def _restore(attendant: Attendant, name: str, gate: Gate, found: Position | None, last: Move) -> Position:
    """Back to where it was found. It stands shut after the last round, as far as anybody knows."""
    wanted = found or Position.SHUT
    if wanted is not Position.SHUT or last.took is None:
        await _move(attendant, name, gate, wanted, [], patience=max(1.0, gate.travel))
    return wanted


async def _move(
    attendant: Attendant, name: str, gate: Gate, to: Position, objections: list[str], *, patience: float | None = None
) -> Move:
    """One telling, until its report, or until it will hardly come any more."""
    before = attendant.ears.gates.get(name)
    began = attendant.bench.now()
    objection = await attendant.tell(name, to)
    if objection is not None:
        objections.append(objection)
    until = began + (patience or max(LEAST_PATIENCE, PATIENCE * gate.travel))
    took: float | None = None
    opposite = False
    others: dict[str, None] = {}
    words: dict[str, None] = {}
    while attendant.bench.now() < until:
        for event in _reports(await attendant.next(until)):
            at = attendant.heard_at
            if event.gate != name:
                if event.position is to:
                    others[event.gate] = None
                    until = min(until, at + max(1.0, gate.travel))
            elif event.says:
                words[event.says] = None
            elif event.position is to and took is None:
                took = at - began
                until = at + AFTERTHOUGHT
            elif took is None and event.position is not Position.BETWEEN and before is not event.position:
                opposite = True
                until = min(until, at + max(1.0, gate.travel))
    return Move(to, None if took is None else round(took, 3), opposite and took is None, tuple(others), tuple(words))


def _reports(happening: object) -> Iterable[ev.GateReport]:
    """Live reports among what happened; a retained one may be from any time."""
    if not isinstance(happening, tuple):
        return
    for event in happening:
        if isinstance(event, ev.GateReport) and not event.retained:
            yield event


# Gates that cannot report, and gates that a hand moves


async def _unseen(attendant: Attendant, name: str, gate: Gate, found: Position | None) -> GateResult:
    """It cannot report and nobody looks: moved once, and so much is said."""
    objections: list[str] = []
    wanted = found or Position.SHUT
    for to in (Position.OPEN, Position.SHUT, *((Position.OPEN,) if wanted is Position.OPEN else ())):
        objection = await attendant.tell(name, to)
        if objection is not None:
            objections.append(objection)
        await attendant.wait(gate.travel)
    remark = Remark(Weight.LOOK, "It cannot report and nobody looked: its travel was not measured.")
    remarks = (*judge.timed(name, gate, (), tuple(objections)), remark)
    return GateResult(name, How.UNSEEN, (), remarks, gate.travel, None, found, wanted)


async def _timed(attendant: Attendant, name: str, gate: Gate, found: Position | None) -> GateResult:
    """It cannot report: the person's Enter says when it has arrived."""
    said, wanted = spoken(name), found or Position.SHUT
    attendant.bench.ask(
        f"Gate {said} cannot report. Stand where you see it; Enter, and it is told to open (skip: leave it out)"
    )
    if not await attendant.enter():
        return GateResult(name, How.SKIPPED, travel=gate.travel, found=found)
    objections: list[str] = []
    await _tell(attendant, name, Position.SHUT, objections)
    await attendant.wait(gate.travel)
    moves = []
    for to in (Position.OPEN, Position.SHUT):
        began = attendant.bench.now()
        await _tell(attendant, name, to, objections)
        attendant.bench.ask(f"It is told {to}: Enter at the moment when it stands {to} (no: it does not)")
        answer = await attendant.answer()
        took = None if answer is None or answer.strip() else round(attendant.bench.now() - began, 3)
        moves.append(Move(to, took))
        if to is Position.OPEN:
            attendant.bench.ask("Enter, and it is told to shut")
            await attendant.enter()
    if wanted is not Position.SHUT:
        await _tell(attendant, name, wanted, objections)
        await attendant.wait(gate.travel)
    measured = tuple(moves)
    remarks = judge.timed(name, gate, measured, tuple(objections))
    proposed = judge.proposal(measured)
    return GateResult(name, How.TIMED, measured, remarks, gate.travel, proposed, found, wanted)


async def _by_hand(attendant: Attendant, name: str, gate: Gate) -> GateResult:
    """A hand moves it; its reports are what is tried."""
    if not attendant.person:
        remark = Remark(Weight.LOOK, "A hand moves it, and nobody was there: its reports were not tried.")
        return GateResult(name, How.SKIPPED, remarks=(remark,), travel=gate.travel)
    moves = []
    for to, verb in ((Position.OPEN, "Open"), (Position.SHUT, "Shut")):
        if attendant.ears.gates.get(name) is to:
            continue
        attendant.bench.ask(f"{verb} gate {spoken(name)} by hand, now (Enter when done; skip)")
        move = await _moved_by_hand(attendant, name, to)
        if move is None:
            return GateResult(name, How.SKIPPED, travel=gate.travel)
        moves.append(move)
    measured = tuple(moves)
    remarks = judge.reported(name, gate, measured, ())
    return GateResult(name, How.BY_HAND, measured, remarks, gate.travel)


async def _moved_by_hand(attendant: Attendant, name: str, to: Position) -> Move | None:
    """None: skipped."""
    others: dict[str, None] = {}
    until = float("inf")
    while attendant.bench.now() < until:
        happening = await attendant.next(until)
        match happening:
            case Typed(text=text):
                if is_quit(text):
                    raise BrokenOffError
                if is_skip(text):
                    return None
                until = attendant.bench.now() + AFTERTHOUGHT * 8
            case NobodyThere():
                return None
            case _:
                for event in _reports(happening):
                    if event.gate == name and event.position is to:
                        return Move(to, 0.0)
                    if event.gate != name and event.position is to:
                        others[event.gate] = None
                        until = min(until, attendant.bench.now() + AFTERTHOUGHT * 8)
    return Move(to, None, others=tuple(others))


async def _tell(attendant: Attendant, name: str, to: Position, objections: list[str]) -> None:
    objection = await attendant.tell(name, to)
    if objection is not None:
        objections.append(objection)
