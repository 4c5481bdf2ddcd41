"""Every question of an exercise: the answers that it offers are taken in each form, any other is told, and any end."""

import asyncio
import re
from collections.abc import Callable

import pytest
from virtual_world import TEXT, VirtualWorld, at_the_tools

from gatehand.exercise.question import ENTER, NO, QUIT, SKIP, YES, Question
from gatehand.exercise.results import How, Result, text
from gatehand.exercise.supervisor import BrokenOffError
from gatehand.exercise.walk import BEGIN, LOOK_AT_GATES
from gatehand.mqtt.client import ClientError
from gatehand_rules.words import Position

WHOLE = (
    TEXT.replace(
        "coast_down = 5", 'coast_down = 5\nreset = { topic = "c/reset", pressed = "down", released = "up" }', 1
    ).replace("travel = 2", 'travel = 2\nbutton = { topic = "g/router/button", pressed = "1" }', 1)
    + """
[gate.hose]
state = { topic = "g/hose/state", open = "open", shut = "shut" }
"""
)
RUNS = Question("Start the saw", "when it runs")
NOTHING = Question("Press it", "if nothing is heard")
ARRIVES = Question("Look at it", "the moment that it is open", no="it does not move")


@pytest.mark.parametrize(
    ("question", "taken"),
    [
        (RUNS, {ENTER: ("", " ", "y", "yes", "YES"), SKIP: ("s", "skip", "Skip"), None: ("no", "n", "on", "ok")}),
        (NOTHING, {ENTER: ("", "\t"), SKIP: ("skip",), None: ("yes", "y", "nothing")}),
        (ARRIVES, {ENTER: ("", "yes"), NO: ("n", "no", " No "), SKIP: ("s",), None: ("open",)}),
        (BEGIN, {YES: ("y", "yes", "Yes"), NO: ("n", "no"), None: ("", "skip", "s", "yess", "1")}),
    ],
)
def test_an_answer_is_taken_in_each_of_its_forms_where_it_is_offered(
    question: Question, taken: dict[str | None, tuple[str, ...]]
) -> None:
    for answer, forms in {**taken, QUIT: ("q", "quit", "end", "exit", "QUIT")}.items():
        assert [question.understood(form) for form in forms] == [answer] * len(forms)


def test_a_question_shows_its_answers_and_says_again_which_they_are() -> None:
    assert RUNS.asked == "Start the saw (Enter when it runs; skip; quit)"
    assert ARRIVES.asked == "Look at it (Enter the moment that it is open; no: it does not move; skip; quit)"
    assert BEGIN.asked == ("Has the fan stopped turning? Is everybody clear? Type yes to begin (no; quit)")
    assert BEGIN.again(" ja\x07 ") == '"ja\\u0007" is not an answer here (yes; no; quit)'


Trouble = Callable[[VirtualWorld], None]


class Asked:
    """A person who does as asked, but at one question (by its number, from 0) something else happens first."""

    def __init__(self, at: int, trouble: Trouble) -> None:
        self.questions: list[str] = []
        self.after: str | None = None
        """What was asked after the trouble."""
        self._at, self._trouble, self._does = at, trouble, at_the_tools()

    def __call__(self, world: VirtualWorld, question: str) -> None:
        if "is not an answer here" in question:
            question = self.questions[-1]
        else:
            self.questions.append(question)
            if len(self.questions) == self._at + 1:
                self._trouble(world)
                return
        self._does(world, question)


def walked(at: int, trouble: Trouble, daemon: str | None = "off") -> tuple[VirtualWorld, Asked, Result]:
    person = Asked(at, trouble)
    world = VirtualWorld(person=person, daemon=daemon, text=WHOLE)
    result = world.go(tools=True, presses=True, rounds=1, yes=False)
    return world, person, result


def told(result: Result) -> object:
    """What came of it, without the times."""
    gates = [(gate.gate, gate.how, gate.failed) for gate in result.gates]
    tools = [(tool.tool, tool.tried, tool.failed) for tool in result.tools]
    return gates, tools, [(each.whose, each.tried, each.failed) for each in result.presses]


_WELL = walked(-1, lambda _: None)
QUESTIONS = _WELL[1].questions
EACH = pytest.mark.parametrize("at", range(len(QUESTIONS)))


def test_a_whole_exercise_asks_questions_of_every_kind() -> None:
    for begin in ("Has the fan", "Press the", "Gate router cannot", "It is told to open", "Look at it once more"):
        assert any(question.startswith(begin) for question in QUESTIONS), begin
    for begin in ("It is told to shut", "Open gate hose", "Start the", "Now switch"):
        assert any(question.startswith(begin) for question in QUESTIONS), begin
    assert all(question.endswith("quit)") for question in QUESTIONS)
    assert max(map(len, QUESTIONS)) <= 110
    parts = [said for said in _WELL[0].said if re.match(r"(Gate|Tool) \d", said)]
    assert parts == [
        *("Gate 1 of 4: band saw", "Gate 2 of 4: planing", "Gate 3 of 4: router", "Gate 4 of 4: hose"),
        *("Tool 1 of 3: band saw", "Tool 2 of 3: jointer", "Tool 3 of 3: router"),
    ]


def test_its_end_is_told_when_the_gate_that_was_broken_off_has_had_its_travel() -> None:
    """What it reports on its way back is the exercise's doing yet."""
    sent: list[tuple[float, str]] = []

    def at_the_gate(world: VirtualWorld) -> None:
        world.before_send = lambda outgoing: sent.append((world.time, outgoing.topic))
        world.interrupt(after=0.5)

    at = next(number for number, question in enumerate(QUESTIONS) if question.startswith("It is told to open"))
    walked(at, at_the_gate)
    (told, first), (ended, last) = sent
    assert (first, last) == ("g/router/set", "gatehand/collector/main/hold")
    assert ended - told == pytest.approx(2.0), "its travel"


@EACH
def test_what_is_none_of_the_answers_is_told_and_changes_nothing(at: int) -> None:
    world, person, result = walked(at, lambda world: world.type("perhaps", after=0.5))
    assert [said for said in world.said if said.startswith('"perhaps" is not an answer here (')] != []
    assert person.questions == QUESTIONS
    assert told(result) == told(_WELL[2])


@EACH
@pytest.mark.parametrize("ends", [VirtualWorld.interrupt, lambda world: world.type("q")])
def test_quit_and_ctrl_c_end_it_at_any_question(at: int, ends: Trouble) -> None:
    if at == 0:
        with pytest.raises(BrokenOffError):
            walked(at, ends)
        return
    world, person, result = walked(at, ends)
    assert result.broken_off
    assert "Stopped early." in text(result)
    assert len(person.questions) == at + 1
    assert world.sent[-1] == ("gatehand/collector/main/hold", '{"because": "exercise"}'), "it has ended"


@EACH
def test_a_terminal_that_is_closed_leaves_out_what_is_asked_and_calls_nothing_faulty(at: int) -> None:
    if at == 0:
        with pytest.raises(BrokenOffError):
            walked(at, VirtualWorld.leave)
        return
    _, person, result = walked(at, VirtualWorld.leave)
    assert len(person.questions) == at + 1
    assert not result.broken_off
    before = told(_WELL[2])
    assert isinstance(before, tuple)
    for now, was in zip(told(result), before, strict=True):  # type: ignore[call-overload]
        assert {each[0] for each in now if each[2]} <= {each[0] for each in was if each[2]}, "no new fault"


@EACH
def test_a_broker_that_goes_at_a_question_ends_it_with_what_was_found(at: int) -> None:
    if at == 0:
        with pytest.raises(ClientError):
            walked(at, VirtualWorld.lose_broker)
        return
    _, _, result = walked(at, VirtualWorld.lose_broker)
    assert result.stopped == "the broker is gone (test)"
    assert not result.ok
    assert result.made_safe == (LOOK_AT_GATES if result.gates else "")
    seen = [gate.gate for gate in result.gates]
    assert seen == [gate.gate for gate in _WELL[2].gates][: len(seen)]


def test_skip_amid_a_gate_that_is_timed_puts_it_back_and_calls_it_no_fault() -> None:
    at = next(number for number, question in enumerate(QUESTIONS) if question.startswith("It is told to open"))
    world, _, result = walked(at, lambda world: world.type("skip", after=0.5))
    router = next(gate for gate in result.gates if gate.gate == "router")
    assert (router.how, router.failed, router.moves, router.left) == (How.SKIPPED, False, (), Position.SHUT)
    assert [payload for topic, payload in world.sent if topic == "g/router/set"] == ["0", "1", "0"]
    assert "gate router: It was left out in the middle of its moves: its travel was not measured." in " ".join(
        text(result).split()
    )


def test_a_terminal_that_takes_nothing_more_ends_it_in_order() -> None:
    """A write to a closed terminal fails: that is an end, not a mistake."""
    from gatehand.person import EndOfInput, Person

    class Gone:
        def write(self, _: str) -> int:
            raise OSError(5, "Input/output error")

        def flush(self) -> None:
            """Nothing."""

        def isatty(self) -> bool:
            return True

    async def say() -> object:
        person: Person[str] = Person(Gone())  # type: ignore[arg-type]
        person.say("hello")
        return await person.next(float("inf"))

    assert asyncio.run(say()) is EndOfInput.INTERRUPTED
