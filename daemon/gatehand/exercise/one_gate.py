"""One gate: open and shut, several times, how long until it says so, and what those times mean.

Below, pure: what is missing, exchanged or slow in the measured moves.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, TypeAlias

from gatehand.config.tables import GateTable
from gatehand.exercise.results import GateResult, How, Move, Remark, failed, longest, look, proposal
from gatehand.exercise.supervisor import SKIP, Supervisor
from gatehand.journal.sentences import spoken
from gatehand.text import as_sentence, listed, named
from gatehand_rules import events as ev
from gatehand_rules.words import Position

PATIENCE: Final = 3.0
"""So many times its travel a gate is given to report, to measure one that is slower than the config allows."""
LEAST_PATIENCE: Final = 6.0
AFTERTHOUGHT: Final = 0.25
"""Seconds after a report in which another gate may report too, and a bounce is over."""
BY_HAND_AFTERTHOUGHT: Final = 2.0
"""The same where a hand moves the gate."""
ENOUGH_SILENCE: Final = 4
"""Tellings in a row without any report, after which the rest is spared."""
_Tried: TypeAlias = tuple[How, list[Move], tuple[Remark, ...]]
"""How a gate was exercised, how it moved, and what is to be said of it."""
_STANDS: Final = {"open": Position.OPEN, "shut": Position.SHUT}
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
    """Everything for one gate; in the end it is told to go where it was found, or shut."""
    gate = supervisor.config.gate[name]
    if gate.command is None:
        how, moves, remarks = await _by_hand(supervisor, name, gate)
        return GateResult(name, how, tuple(moves), remarks, gate.travel)
    supervisor.moving, supervisor.objections = name, []
    found = supervisor.found.get(name)
    left = found or Position.SHUT
    if gate.state is not None:
        how, moves, remarks = await _reporting(supervisor, name, gate, rounds, left)
    elif supervisor.person:
        how, moves, remarks = await _timed(supervisor, name, gate, left)
    else:
        how, moves, remarks = await _unseen(supervisor, name, gate, left)
    supervisor.moving = None
    told = None if how is How.SKIPPED else left
    return GateResult(name, how, tuple(moves), remarks, gate.travel, proposal(moves), found, told)


async def _reporting(supervisor: Supervisor, name: str, gate: GateTable, rounds: int, left: Position) -> _Tried:
    patience = max(LEAST_PATIENCE, PATIENCE * gate.travel)
    if supervisor.observed.gates.get(name) is not Position.SHUT:
        # Not measured: its beginning is not known.
        await move(supervisor, name, Position.SHUT, patience)
    moves: list[Move] = []
    for _ in range(rounds):
        moves += [await move(supervisor, name, to, patience) for to in (Position.OPEN, Position.SHUT)]
        if len(moves) >= ENOUGH_SILENCE and longest(moves[-ENOUGH_SILENCE:]) is None:
            break
    remarks = tuple(judge_reported(name, gate, moves, supervisor.objections))
    # It stands shut after the last round, as far as anybody knows.
    if left is not Position.SHUT or moves[-1].took is None:
        await move(supervisor, name, left, max(1.0, gate.travel))
    return How.REPORTED, moves, remarks


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
    return How.UNSEEN, [], (*_objected(supervisor.objections), remark)


async def _timed(supervisor: Supervisor, name: str, gate: GateTable, left: Position) -> _Tried:
    """It cannot report: the person's Enter says when it has arrived."""
    world = supervisor.world
    world.ask(
        f"Gate {spoken(name)} cannot report. Stand where you see it; Enter, and it is told to open (skip: leave it out)"
    )
    if await supervisor.answer() == SKIP:
        return How.SKIPPED, [], ()
    await supervisor.tell(name, Position.SHUT)
    await supervisor.wait(gate.travel)
    moves = []
    for to in (Position.OPEN, Position.SHUT):
        began = world.now()
        await supervisor.tell(name, to)
        world.ask(f"It is told {to}: Enter at the moment when it stands {to} (no: it does not)")
        has_not = await supervisor.answer()
        moves.append(Move(to, None if has_not else round(world.now() - began, 3)))
        if to is Position.OPEN:
            world.ask("Enter, and it is told to shut")
            await supervisor.answer()
    if left is not Position.SHUT:
        await supervisor.tell(name, left)
        await supervisor.wait(gate.travel)
    return How.TIMED, moves, tuple(judge_timed(name, gate, moves, supervisor.objections))


async def _by_hand(supervisor: Supervisor, name: str, gate: GateTable) -> _Tried:
    """A hand moves it; its reports are what is tried."""
    if not supervisor.person:
        remark = look("A hand moves it, and nobody was there: its reports were not tried.")
        return How.SKIPPED, [], (remark,)
    moves = []
    for to, verb in ((Position.OPEN, "Open"), (Position.SHUT, "Shut")):
        if supervisor.observed.gates.get(name) is to:
            continue
        supervisor.world.ask(f"{verb} gate {spoken(name)} by hand, now (Enter when done; skip)")
        if (move := await _moved_by_hand(supervisor, name, to)) is None:
            return How.SKIPPED, [], ()
        moves.append(move)
    return How.BY_HAND, moves, tuple(judge_reported(name, gate, moves, []))


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
    topic = gate.state.topic if gate.state is not None else ""
    missing = [move for move in moves if move.took is None]
    if missing:
        yield failed(_why_missing(name, topic, moves, missing))
    if (most := longest(moves) or 0.0) > gate.travel:
        yield failed(
            f"It needs up to {most:.2f} s and travel allows {gate.travel:g} s: {spoken(name)} would be told again "
            f"and be called faulty. Set travel = {proposal(moves):g}."
        )
    company = Counter(other for move in moves if move.took is not None for other in move.others)
    for other, count in company.items():
        if count > 1:
            yield failed(
                f"Gate {spoken(other)} reported as well, {count} times: it moves with {spoken(name)}, "
                "or both listen to one topic."
            )


def _why_missing(name: str, topic: str, moves: list[Move], missing: list[Move]) -> str:
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
