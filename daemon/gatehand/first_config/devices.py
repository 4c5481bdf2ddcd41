"""The part of each device in the script: what is asked of a gate, a collector, a tool, a stop; what its table holds."""

from collections.abc import Mapping, Sequence
from typing import Final

from gatehand.first_config import questions as q
from gatehand.first_config.boards import COMMENT, WITH_ONLINE, Board
from gatehand.first_config.choices import Wanted, buttons, find, reports, sensors, told, worded
from gatehand.first_config.draft import Device, Table, add_stop, duration
from gatehand.first_config.meters import motor, thresholds
from gatehand.first_config.questions import SignalAnswer, Skipped
from gatehand.first_config.steps import Ask, Given, Option, Steps, Tell, Try
from gatehand.first_config.trials import Moved, Trial
from gatehand.journal.sentences import spoken
from gatehand.listening.roles import source
from gatehand.text import listed

_COAST_DOWN: Final = 8
_TRAVEL: Final = 3
_RUN_ON: Final = 10
_OPEN_FIRST: Final = "Open a gate by hand first: a fan should not turn against shut gates. "
_NO_TRIAL: Final = (q.SKIP, q.NONE, q.TYPE)
_HAND, _NETWORK = "hand", "network"
_BY_HAND: Final = "at the device itself, or over the network, such as from a phone"


def gate(table: Table, boards: Sequence[Board], collectors: Sequence[str]) -> Steps[None]:
    """A gate: by a board, by a motor or by hand; its report, its command, its button."""
    its = Device(table, f"gate {spoken(table.name)}")
    yield Tell(f"\nThe {its.the}.")
    if len(collectors) > 1:
        text = f"To which collector does the {its.the} belong?"
        home: str = yield Ask(f"{its.key}.collector", text, q.name_of(collectors, "collector"), collectors[0])
        table.add("collector", home)
    board = yield from _board(its, "gate", boards)
    if board is not None:
        its.add_board(board)
        if table.get("command") is not None and table.get("travel") is None:
            yield from _travel(its)
        elif table.get("command") is None and table.get("state") is None:
            table.lacks("a gate that is moved by hand has to report its position: give its board end switches")
        return
    text = f"Is the {its.the} moved by a motor or by hand?"
    moved: str = yield Ask(f"{its.key}.moved", text, q.one_of("motor", "hand"), "motor")
    by_motor = moved == "motor"
    worked = _HAND
    if by_motor:
        text = f"How do you move the {its.the} now: by hand or a button {_BY_HAND}?"
        worked = yield from _worked(its, text)
    trial = Try(
        f"{its.key}.trial",
        Trial.SWITCH,
        f"Hands out of the gate. Open the {its.the} now",
        "it is open",
        f"Now shut the {its.the}",
        "it is shut",
        words=1 + (worked == _NETWORK),
        numbers=None,
        answers=(f"{its.key}.state", *([f"{its.key}.command"] if by_motor else [])),
        runs=6.0,
    )
    heard = yield from _report(its, trial, ("open", "shut"), over_network=worked == _NETWORK)
    if by_motor:
        yield from _command(its, heard, ("open", "shut"))
        yield from _travel(its)
        text = (
            f"Does the {its.the} have a button that asks for air with no tool running, for a sweep? If so, press it "
            f"and "
            "let go"
        )
        yield from _button(its, "button", text, ("pressed",))
    elif table.get("state") is None:
        table.lacks("a gate that is moved by hand has to report its position: state = { topic, open, shut }")


def collector(table: Table, boards: Sequence[Board], *, gated: bool) -> Steps[None]:
    """A collector: its switch, its motor, its bin, the button that ends a hold."""
    its = Device(table, f"collector {spoken(table.name)}")
    yield Tell(f"\nThe {its.the}.")
    board = yield from _board(its, "switch", boards)
    worked = _HAND
    if board is None:
        text = f"How do you switch the {its.the} now: {_BY_HAND}?"
        worked = yield from _worked(its, text)
    parts = ("motor",) if board is not None else ("state", "motor", "command")
    trial = Try(
        f"{its.key}.trial",
        Trial.SWITCH,
        f"{_OPEN_FIRST if gated else ''}Switch the {its.the} on",
        "it runs",
        f"Now switch the {its.the} off",
        "it has stopped",
        words=1 + (worked == _NETWORK),
        numbers=1,
        answers=tuple(f"{its.key}.{part}" for part in parts),
    )
    if board is None:
        heard = yield from _report(its, trial, ("on", "off"), over_network=worked == _NETWORK)
        yield from _command(its, heard, ("on", "off"))
        yield from motor(its, trial)
    else:
        its.add_board(board, "current")
        if board.signal("amps") is not None:
            yield from motor(its, trial, board)
    text = f"For how many seconds does the fan of the {its.the} keep turning after off? (listen once, on the long side)"
    coast_down: float = yield Ask(f"{its.key}.coast_down", text, q.seconds, str(_COAST_DOWN))
    table.add("coast_down", duration(coast_down), "the fan still moves air for this long after off; measure it")
    if not _of_a_contact(its, boards, "bin_full"):
        yield from _bin(its)
    text = f"Is there a button that ends a hold of the {its.the} after an emergency stop? If so, press it and let go"
    if not _of_a_contact(its, boards, "reset"):
        yield from _button(its, "reset", text, ("pressed", "released"))


def tool(table: Table, boards: Sequence[Board], gates: Sequence[str], collectors: Sequence[str]) -> Steps[None]:
    """A tool: its gates, what senses it, when it runs."""
    its = Device(table, spoken(table.name))
    yield Tell(f"\nThe {its.the}.")
    wanted: list[str] = []
    if gates:
        text = f"Which gates does the {its.the} need open? (or none)"
        own = table.name if table.name in gates else None
        wanted = yield Ask(f"{its.key}.gates", text, q.names_of(gates, "gate"), own)
    table.add("gates", wanted or None)
    if not wanted and collectors:
        home = collectors[0]
        if len(collectors) > 1:
            text = f"Which collector serves the {its.the}?"
            home = yield Ask(f"{its.key}.collector", text, q.name_of(collectors, "collector"), home)
        table.add("collector", home)
    if _of_a_contact(its, boards, "running"):
        yield from _run_on(its)
        return
    board = yield from _board(its, "sensor", boards)
    only = None if board is None else board.topics.get("amps")
    trial = Try(
        f"{its.key}.trial",
        Trial.SWITCH,
        f"Guards on, nothing in the cut. Switch the {its.the} on",
        "it runs",
        f"Now switch the {its.the} off",
        "it has stopped",
        answers=(f"{its.key}.sensor",),
    )
    signal = Wanted(
        f"{its.key}.sensor",
        f"Which of them says that the {its.the} runs?",
        ("active", "clear"),
        "on",
        lambda found: sensors([one for one in found if only is None or one.topic == only]),
        levels=True,
    )
    choice = yield from find(trial, signal)
    if choice.signal is None:
        table.lacks("what says that it runs: current or power with its start threshold, or running")
    elif choice.signal.words:
        table.add("running", choice.signal, signal.seen(choice.moved))
    else:
        yield from thresholds(its, choice, board)
    yield from _run_on(its)
    if board is not None:
        table.add("online", board.signal("online"))


def stop(table: Table, boards: Sequence[Board], collectors: Sequence[str]) -> Steps[None]:
    """A stop contact, whose table is the signal itself."""
    its = Device(table, f"stop contact {spoken(table.name)}")
    yield Tell(
        f"\nThe {its.the}. Gatehand only listens to its contact; what the stop itself does is wired. Before you "
        f"press it, "
        "unplug or lock out what it stops, as its maker says."
    )
    found = ((board, board.contact("stop", table.name)) for board in boards)
    board, contact = next((each for each in found if each[1] is not None), (None, None))
    comment = COMMENT
    if contact is None:
        trial = Try(
            f"{its.key}.trial",
            Trial.SWITCH,
            f"Press the {its.the} in (or set the detector off as its maker says) and leave it like that",
            "it is in",
            "Now pull it out again",
            "it is out",
            answers=(f"{its.key}.contact",),
            runs=5.0,
        )
        text = f"Which of them is the {its.the}?"
        signal = Wanted(f"{its.key}.contact", text, ("active", "clear"), "pressed in", worded)
        choice = yield from find(trial, signal)
        contact, comment = choice.signal, signal.seen(choice.moved)
    if contact is None:
        table.lacks("its contact: topic, active, clear. Until then it stops no collector")
    else:
        add_stop(table, contact, comment)
    if board is not None and len(board.inputs) == 1:
        table.add("online", board.signal("online"))
    if len(collectors) > 1:
        text = f"Which collectors does the {its.the} stop?"
        read = q.names_of(collectors, "collector")
        chosen: list[str] = yield Ask(f"{its.key}.collectors", text, read, ", ".join(collectors))
        table.add("collectors", chosen)


def _travel(its: Device) -> Steps[None]:
    text = f"How many seconds does the {its.the} take from shut to open, by your watch and on the long side?"
    travel: float = yield Ask(f"{its.key}.travel", text, q.some_seconds, str(_TRAVEL))
    its.table.add("travel", duration(travel), "time allowed to move")


def _run_on(its: Device) -> Steps[None]:
    text = f"For how many seconds should the collector run on after the {its.the} has stopped? (till the duct is clear)"
    run_on: float = yield Ask(f"{its.key}.run_on", text, q.seconds, str(_RUN_ON))
    its.table.add("run_on", duration(run_on))


def _of_a_contact(its: Device, boards: Sequence[Board], key: str) -> bool:
    """Take what a board of contacts says of it, with its `online` where it is a tool's; False: none does."""
    for board in boards:
        if (found := board.contact(its.table.kind, its.table.name, key)) is not None:
            its.table.add(key, found, COMMENT)
            if its.table.kind in WITH_ONLINE and len(board.inputs) == 1:
                its.table.add("online", board.signal("online"))
            return True
    return False


def _worked(its: Device, text: str) -> Steps[str]:
    """How it is worked in its trial; nobody is asked where there is none."""
    question = Ask(f"{its.key}.worked", text, q.one_of(_HAND, _NETWORK), _HAND)
    given: str | None = yield Given(question.key, question.read)
    if given is not None:
        return given
    trial: str | None = yield Given(f"{its.key}.trial", lambda raw: str(raw).strip().casefold())
    state: object = yield Given(f"{its.key}.state", lambda raw: raw)
    command: object = yield Given(f"{its.key}.command", lambda raw: raw)
    if trial in _NO_TRIAL or (state is not None and command is not None):
        return _HAND
    worked: str = yield question
    return worked


def _board(its: Device, role: str, boards: Sequence[Board]) -> Steps[Board | None]:
    known = {board.name: board for board in boards if board.role == role}
    if not known:
        return None
    given: tuple[str | None] | None = yield Given(f"{its.key}.board", _read_board(known))
    if given is not None:
        return None if given[0] is None else known[given[0]]
    if its.table.name in known:
        yield Tell(f"The board {its.table.name} has announced itself, and its topics go into the config.")
        return known[its.table.name]
    text = f"Which of these boards is at the {its.the}: {listed(known)}? (or none)"
    chosen: tuple[str | None] = yield Ask(f"{its.key}.board", text, _read_board(known), q.NONE)
    return None if chosen[0] is None else known[chosen[0]]


def _read_board(known: Mapping[str, Board]) -> q.Read:
    """The name of one of them, or none; in a tuple, for a `Given` that is not there is None too."""
    read = q.or_none(q.name_of(list(known), "board"))
    return lambda raw: (read(raw),)


def _report(its: Device, trial: Try, words: tuple[str, str], *, over_network: bool) -> Steps[Moved | None]:
    """Where it says how it stands. What comes out is the command, where one was heard."""
    every: list[Moved] | None = yield trial
    command = told(every or []) if over_network else None
    text = f"Which of them is the report of the {its.the}? (none: it does not report)"
    signal = Wanted(
        f"{its.key}.state",
        text,
        words,
        words[0],
        lambda found: reports(found, command),
        may_lack=True,
        never_commands=True,
    )
    choice = yield from find(trial, signal)
    if choice.signal is not None:
        its.table.add("state", choice.signal, signal.seen(choice.moved))
    return command


def _command(its: Device, heard: Moved | None, words: tuple[str, str]) -> Steps[None]:
    """Where it is told, and how: as it was heard, or guessed from its report, or as the owner knows."""
    state, guess, why = its.table.get("state"), None, ""
    if heard is not None:
        guess = heard.written(*words)
    elif isinstance(state, SignalAnswer):
        home = state.topic.rpartition("/")[0] or state.topic
        guess = source(f"{home}/set", None, 1.0, **state.words)
        why = " (many take them beside their report, on .../set and with the same words)"
    text = f"On which topic does the {its.the} take commands, and with which words? Write it as in the config{why}"
    options = () if guess is None else (Option(guess, guess),)
    head = "A guess, not heard" if heard is None else "Heard"
    answer = yield Ask(f"{its.key}.command", text, q.signal(*words), guess, options, skips=True, head=head)
    if isinstance(answer, Skipped):
        its.table.lacks(f"its command: command = {{ {', '.join(('topic', *words))} }}")
        return
    as_heard = heard is not None and heard.topic == answer.topic
    comment = "heard when it was commanded over the network" if as_heard else "as answered; gatehand exercise tries it"
    its.table.add("command", answer, comment)


def _bin(its: Device) -> Steps[None]:
    """The bin's contact, where there is one."""
    trial = Try(
        f"{its.key}.bin_trial",
        Trial.SWITCH,
        f"Does the bin of the {its.the} have a contact that says it is full? If so, make it say full and leave it "
        f"like that",
        "it says full",
        "Now let it go",
        "it is clear",
        answers=(f"{its.key}.bin",),
        runs=5.0,
    )
    text = "Which of them is the bin's contact? (none: there is none)"
    signal = Wanted(f"{its.key}.bin", text, ("active", "clear"), "full", worded, may_lack=True)
    choice = yield from find(trial, signal)
    if choice.signal is not None:
        its.table.add("bin_full", choice.signal, signal.seen(choice.moved))


def _button(its: Device, what: str, do: str, words: tuple[str, ...]) -> Steps[None]:
    """A button, where there is one; with its word for released, where that is wanted."""
    used = its.taken

    def order(found: Sequence[Moved]) -> list[Moved]:
        return buttons([one for one in found if len(words) == 1 or one.off is not None], used)

    trial = Try(f"{its.key}.{what}_trial", Trial.PRESS, do, "it is let go", answers=(f"{its.key}.{what}",))
    text = f"Which of them is the button of the {its.the}? (none: there is none)"
    signal = Wanted(f"{its.key}.{what}", text, words, "pressed", order, may_lack=True)
    choice = yield from find(trial, signal)
    if choice.signal is not None:
        its.table.add(what, choice.signal, signal.seen(choice.moved))
