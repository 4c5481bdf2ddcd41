"""The part of each device in the script: what is asked of a gate, a collector, a tool, a stop; what its table holds."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from gatehand.first_config import questions as q
from gatehand.first_config.boards import Board
from gatehand.first_config.draft import Table, duration
from gatehand.first_config.questions import SignalAnswer, Skipped
from gatehand.first_config.steps import Again, Ask, Forget, Option, Steps, Tell, Try
from gatehand.first_config.trials import Moved, Trial, by_topic, likely
from gatehand.journal.sentences import spoken
from gatehand.listening.roles import is_command, is_motion, sensor_key, source, threshold_keys, toml_text
from gatehand.text import listed
from gatehand_rules.words import Measure

UNITS: Final[Mapping[str, tuple[Measure, float]]] = {
    "A": (Measure.AMPS, 1.0),
    "mA": (Measure.AMPS, 0.001),
    "W": (Measure.WATTS, 1.0),
    "kW": (Measure.WATTS, 1000.0),
}
_STOP_SHARE: Final = 0.7
_COAST_DOWN: Final = 8
_TRAVEL: Final = 3
_RUN_ON: Final = 10
_CONTACT: Final = 0.8
"""How much less likely a motor's contact is than its meter, of the same rank."""
_HAND, _NETWORK = "hand", "network"
Found = tuple[SignalAnswer | None, Moved | None]


def gate(table: Table, boards: Sequence[Board], collectors: Sequence[str]) -> Steps[None]:
    """A gate: by a board, by a motor or by hand; its report, its command, its button."""
    name, key, the = table.name, f"gate.{table.name}", f"gate {spoken(table.name)}"
    yield Tell(f"\nThe {the}.")
    if len(collectors) > 1:
        text = f"To which collector does the {the} belong?"
        home: str = yield Ask(f"{key}.collector", text, q.name_of(collectors, "collector"), collectors[0])
        table.add("collector", home)
    board = yield from _board(key, the, "gate", name, boards)
    if board is not None:
        for last, its in (("set", "command"), ("state", "state"), ("button", "button"), ("online", "online")):
            table.add(its, board.signal(last), "a board of our own" if its == "command" else "")
        yield from _travel(table, key, the)
        return
    text = f"Is the {the} moved by a motor or by hand?"
    moved: str = yield Ask(f"{key}.moved", text, q.one_of("motor", "hand"), "motor")
    worked = _HAND
    if moved == "motor":
        worked = yield from _worked(
            key,
            f"How do you move the {the} now: by its own button or by hand, or over the network, such as from a phone?",
        )
    trial = Try(
        f"{key}.trial",
        Trial.SWITCH,
        f"Hands out of the gate. Open the {the} now",
        "it is open",
        f"Now shut the {the}",
        "it is shut",
        words=1 + (worked == _NETWORK),
        numbers=None,
        answers=(f"{key}.state", f"{key}.command") if moved == "motor" else (f"{key}.state",),
        runs=6.0,
    )
    found = yield from _state_and_command(table, trial, key, the, ("open", "shut"), worked, told=moved == "motor")
    if moved == "hand" and found is None:
        table.lacks("a gate that is moved by hand has to report its position: state = { topic, open, shut }")
    if moved == "motor":
        yield from _travel(table, key, the)
        yield from _button(
            table,
            key,
            the,
            "button",
            f"Has the {the} a button that asks for air with no tool running, for a sweep? Then press it once and let go",
        )


def _travel(table: Table, key: str, the: str) -> Steps[None]:
    text = f"How many seconds does the {the} take from shut to open, by your watch and on the long side?"
    travel: float = yield Ask(f"{key}.travel", text, q.some_seconds, str(_TRAVEL))
    table.add("travel", duration(travel), "time allowed to move")


def collector(table: Table, boards: Sequence[Board]) -> Steps[None]:
    """A collector: its switch, its motor, its bin, the button that ends a hold."""
    name, key, the = table.name, f"collector.{table.name}", f"collector {spoken(table.name)}"
    yield Tell(f"\nThe {the}.")
    board = yield from _board(key, the, "switch", name, boards)
    only: Callable[[Moved], bool] = lambda _: True  # noqa: E731 - one of two
    if board is not None:
        for last, its in (("set", "command"), ("state", "state"), ("online", "online")):
            table.add(its, board.signal(last), "a board of our own" if its == "command" else "")
        worked = _HAND
        amps = board.topics.get("amps")
        only = lambda moved: moved.topic == amps  # noqa: E731
    else:
        worked = yield from _worked(
            key,
            f"How do you switch the {the} now: by hand at its own switch, or over the network, such as from a phone?",
        )
    if board is None or amps is not None:
        trial = Try(
            f"{key}.trial",
            Trial.SWITCH,
            f"Open a gate by hand first: a fan should not turn against shut gates. Then switch the {the} on",
            "it runs",
            f"Now switch the {the} off",
            "it stands still",
            words=1 + (worked == _NETWORK),
            numbers=1,
            answers=() if board is not None else (f"{key}.state", f"{key}.motor", f"{key}.command"),
        )
        if board is None:
            yield from _state_and_command(table, trial, key, the, ("on", "off"), worked, told=True)
        yield from _motor(table, trial, key, the, only)
    text = f"How many seconds does the fan of the {the} turn on after off? (listen for it once, on the long side)"
    coast_down: float = yield Ask(f"{key}.coast_down", text, q.seconds, str(_COAST_DOWN))
    table.add("coast_down", duration(coast_down), "the fan still moves air for this long after off; measure it")
    yield from _contact(
        table,
        key,
        "bin",
        f"Has the bin of the {the} a contact that says it is full? Then make it say full and keep it so",
        "Now let it go",
    )
    text = f"Is there a button that ends a hold of the {the} after an emergency stop? Then press it once and let go"
    yield from _button(table, key, the, "reset", text)


def tool(table: Table, boards: Sequence[Board], gates: Sequence[str], collectors: Sequence[str]) -> Steps[None]:
    """A tool: its gates, what senses it, when it runs."""
    name, key, the = table.name, f"tool.{table.name}", spoken(table.name)
    yield Tell(f"\nThe {the}.")
    if gates:
        own = name if name in gates else None
        text = f"Which gates does the {the} need open? (or none)"
        wanted: list[str] = yield Ask(f"{key}.gates", text, q.names_of(gates, "gate"), own)
    else:
        wanted = []
    table.add("gates", wanted or None)
    if not wanted:
        home = collectors[0] if collectors else ""
        if len(collectors) > 1:
            text = f"Which collector serves the {the}?"
            home = yield Ask(f"{key}.collector", text, q.name_of(collectors, "collector"), home)
        table.add("collector", home)
    board = yield from _board(key, the, "sensor", name, boards)
    its_topic = None if board is None else board.topics.get("amps")
    trial = Try(
        f"{key}.trial",
        Trial.SWITCH,
        f"Switch the {the} on, without cutting",
        "it runs",
        f"Now switch the {the} off",
        "it stands still",
        answers=(f"{key}.sensor",),
    )

    def order(found: Sequence[Moved]) -> list[Moved]:
        return _sensors([one for one in found if its_topic is None or one.topic == its_topic])

    text = f"Which of them says that the {the} runs?"
    read = q.signal(or_keys=("active", "clear"))
    answer, moved = yield from _find(trial, f"{key}.sensor", text, read, order, ("active", "clear"), "on", levels=True)
    if answer is None:
        table.lacks("what says that it runs: current or power with start_amps or start_watts, or running")
    elif answer.words:
        table.add("running", answer, _seen(moved, "on", levels=True))
    else:
        yield from _number(table, key, the, answer, moved, board)
    text = f"For how many seconds should the collector run on after the {the} has stopped? (till the duct is clear)"
    run_on: float = yield Ask(f"{key}.run_on", text, q.seconds, str(_RUN_ON))
    table.add("run_on", duration(run_on))
    if board is not None:
        table.add("online", board.signal("online"))


def stop(table: Table, boards: Sequence[Board], collectors: Sequence[str]) -> Steps[None]:
    """A stop contact."""
    name, key, the = table.name, f"stop.{table.name}", f"stop contact {spoken(table.name)}"
    yield Tell(
        f"\nThe {the}. Gatehand only hears its contact; what the stop itself does is wired. Before you press it, unplug or "
        "lock out what it stops, as its maker says."
    )
    board = next((one for one in boards if one.role == "contact" and one.name == name), None)
    if board is not None and (contact := board.signal("state")) is not None:
        _spread(table, contact, "a board of our own")
    else:
        trial = Try(
            f"{key}.trial",
            Trial.SWITCH,
            f"Press the {the} in (or set the detector off as its maker says) and leave it so",
            "it is in",
            "Now pull it out again",
            "it is out",
            answers=(f"{key}.contact",),
            runs=5.0,
        )
        text = f"Which of them is the {the}?"
        read = q.signal("active", "clear")
        answer, moved = yield from _find(
            trial, f"{key}.contact", text, read, _worded, ("active", "clear"), "pressed in"
        )
        if answer is None:
            table.lacks("its contact: topic, active, clear. Until then nothing holds the collector when it is pressed")
        else:
            _spread(table, answer, _seen(moved, "pressed in"))
    if len(collectors) > 1:
        text = f"Which collectors does the {the} stop?"
        chosen: list[str] = yield Ask(
            f"{key}.collectors", text, q.names_of(collectors, "collector"), ", ".join(collectors)
        )
        table.add("collectors", chosen)


def _spread(table: Table, contact: SignalAnswer, comment: str) -> None:
    """A stop's table is the signal itself."""
    table.add("topic", contact.topic, comment)
    table.add("pointer", contact.pointer)
    for key, word in contact.words.items():
        table.add(key, word)


def _board(key: str, the: str, role: str, name: str, boards: Sequence[Board]) -> Steps[Board | None]:
    known = {board.name: board for board in boards if board.role == role}
    if not known:
        return None
    text = f"Which of these boards is at the {the}: {listed(known)}? (or none)"
    suggestion = name if name in known else q.NONE
    chosen: str | None = yield Ask(f"{key}.board", text, q.or_none(q.name_of(list(known), "board")), suggestion)
    return None if chosen is None else known[chosen]


def _worked(key: str, text: str) -> Steps[str]:
    found: str = yield Ask(f"{key}.worked", text, q.one_of(_HAND, _NETWORK), _HAND)
    return found


def _find(
    trial: Try,
    key: str,
    text: str,
    read: q.Read,
    order: Callable[[Sequence[Moved]], list[Moved]],
    words: tuple[str, str],
    was: str,
    *,
    may_lack: bool = False,
    levels: bool = False,
) -> Steps[Found]:
    """The signal that somebody takes of what followed. None: skipped, or there is none (`may_lack`).

    Args:
        words: the keys of its words in the config.
        was: what the thing was meanwhile: "open", "pressed in".
        may_lack: the device may have no such signal.
        levels: a number counts by its size, not by its words.
    """
    while True:
        every: list[Moved] | None = yield trial
        if every is None:
            return None, None
        found = likely(order(every))
        options = tuple(_option(one, words, was, levels=levels) for one in found)
        if not options:
            text_now = f"{text.partition('?')[0]}? Nothing was heard that could be it. (again; skip; {q.NONE if may_lack else 'or the signal as the config writes it'})"
        else:
            text_now = text
        suggestion = options[0].answer if options else (q.NONE if may_lack else None)
        answer = yield Ask(key, text_now, q.or_none(read), suggestion, options, again=True, skips=True)
        if not isinstance(answer, Again):
            break
        yield Forget((trial.key, key))
    if isinstance(answer, Skipped) or answer is None:
        return None, None
    same = (one for one in found if (one.topic, one.pointer) == (answer.topic, answer.pointer))
    return answer, next(same, None)


def _option(one: Moved, words: tuple[str, str], was: str, *, levels: bool) -> Option:
    keys = ("", "") if levels and one.is_number else words
    return Option(one.written(*keys), f"{one.where}: {_seen(one, was, levels=levels)}")


def _state_and_command(
    table: Table, trial: Try, key: str, the: str, words: tuple[str, str], worked: str, *, told: bool
) -> Steps[SignalAnswer | None]:
    """Where a switch or a gate reports, and where it is told."""
    on, off = words
    text = f"Which of them is the report of the {the}? (none: it does not report)"
    command: Moved | None = None

    def order(found: Sequence[Moved]) -> list[Moved]:
        nonlocal command
        worded = _worded(found)
        command = _told(worded) if worked == _NETWORK and told else None
        others = [one for one in worded if command is None or one.topic != command.topic]
        return sorted(others, key=lambda one: -one.rank * _as_report(one, command))

    state, moved = yield from _find(trial, f"{key}.state", text, q.signal(on, off), order, words, on, may_lack=True)
    if state is not None:
        table.add("state", state, _seen(moved, on))
    if not told:
        return state
    guess, why = _guess(command, state, words)
    text = f"On which topic is the {the} told, and with which words?{why} As the config writes it: {{ topic, {on}, {off} }}"
    options = () if guess is None else (Option(guess, guess),)
    answer = yield Ask(f"{key}.command", text, q.signal(on, off), guess, options, skips=True)
    if isinstance(answer, Skipped):
        table.lacks(f"how it is told: command = {{ topic, {on}, {off} }}")
        return state
    heard = command is not None and command.topic == answer.topic
    table.add(
        "command",
        answer,
        "heard, when it was told over the network" if heard else "as answered; gatehand exercise tries it",
    )
    return state


def _as_report(one: Moved, command: Moved | None) -> float:
    """How likely it is the report and no contact of the motor's: it stands beside the command, its name says what runs."""
    beside = command is not None and one.topic.rpartition("/")[0] == command.topic.rpartition("/")[0]
    return (1.0 if beside else 0.8) * (0.5 if is_motion(one.topic) else 1.0)


def _told(found: Sequence[Moved]) -> Moved | None:
    """Of what followed over the network, the command: by its name, else what came first and was never heard before."""
    named = [one for one in found if is_command(one.topic)]
    fresh = [one for one in found if not one.told_before] or list(found)
    return min(named or fresh, key=lambda one: one.first, default=None)


def _guess(command: Moved | None, state: SignalAnswer | None, words: tuple[str, str]) -> tuple[str | None, str]:
    """What it could be told by, as the config writes it; and why."""
    if command is not None:
        return command.written(*words), f" Heard: {command.where}, {_seen(command, words[0])}."
    if state is None:
        return None, ""
    topic = f"{state.topic.rpartition('/')[0]}/set" if "/" in state.topic else f"{state.topic}/set"
    guess = source(topic, None, **state.words)
    return guess, " Nothing was heard; many devices are told beside their report, on .../set, with the same words."


def _motor(table: Table, trial: Try, key: str, the: str, only: Callable[[Moved], bool]) -> Steps[None]:
    """A meter of the collector's motor."""

    def order(found: Sequence[Moved]) -> list[Moved]:
        taken = table.get("state")
        told = table.get("command")
        topics = {each.topic for each in (taken, told) if isinstance(each, SignalAnswer)}
        usable = [one for one in _sensors(found) if only(one) and one.topic not in topics]
        return sorted(usable, key=lambda one: -one.rank * (1.0 if one.is_number else _CONTACT))

    text = f"Which of them measures the motor of the {the}? (none: nothing does)"
    read = q.signal(or_keys=("active", "clear"))
    answer, moved = yield from _find(
        trial, f"{key}.motor", text, read, order, ("active", "clear"), "on", may_lack=True, levels=True
    )
    if answer is None:
        return
    if answer.words:
        table.add("running", answer, _seen(moved, "on"))
        return
    unit, answer = yield from _unit(f"{key}.motor_unit", answer, moved)
    proposed = None if moved is None or moved.start is None else moved.start * answer.scale / moved.scale
    text = f"At or above how many {unit} does the motor turn?"
    turns: float = yield Ask(f"{key}.turns_at", text, q.positive, None if proposed is None else _three(proposed))
    table.add(sensor_key(unit), answer)
    table.add(f"running_{unit}", turns, _levels(moved, unit, answer.scale))


def _number(
    table: Table, key: str, the: str, answer: SignalAnswer, moved: Moved | None, board: Board | None
) -> Steps[None]:
    """A tool's meter: its unit, its thresholds."""
    if board is not None:
        answer = board.signal("amps") or answer
        unit = Measure.AMPS
    else:
        unit, answer = yield from _unit(f"{key}.unit", answer, moved)
    start_key, stop_key = threshold_keys(unit) or ("", "")
    start, stop = None, None
    if moved is not None and moved.start is not None and moved.stop is not None:
        # What was proposed by the unit that its name tells, in the unit that it is.
        start, stop = (each * answer.scale / moved.scale for each in (moved.start, moved.stop))
    seen = _levels(moved, unit, answer.scale)
    text = f"At or above how many {unit} is the {the} running?{f' ({seen})' if seen else ''}"
    chosen: float = yield Ask(f"{key}.start", text, q.positive, None if start is None else _three(start))
    ends = chosen * _STOP_SHARE if start is None or stop is None else chosen * stop / start
    table.add(sensor_key(unit), answer)
    table.add(start_key, chosen, seen or "as answered")
    table.add(
        stop_key,
        float(_three(ends)),
        "" if moved is None or not moved.wanting else f"{moved.wanting}; gatehand tune weighs it later",
    )


def _unit(key: str, answer: SignalAnswer, moved: Moved | None) -> Steps[tuple[Measure, SignalAnswer]]:
    taken = None if moved is None or moved.measure is None else (moved.measure, moved.scale)
    suggestion = next((name for name, unit in UNITS.items() if unit == taken), None)
    why = "" if moved is None else f" ({moved.named})"
    name: str = yield Ask(key, f"Is its number in A, mA, W or kW?{why}", _unit_name, suggestion)
    measure, scale = UNITS[name]
    return measure, SignalAnswer(answer.topic, answer.pointer, {}, scale)


def _unit_name(raw: q.Raw) -> str:
    said = str(raw).strip()
    found = {each.casefold(): each for each in UNITS}.get(said.casefold())
    if found is None:
        raise q.BadAnswerError(f"found {toml_text(said)}; wanted {listed(UNITS)}")
    return found


def _contact(table: Table, key: str, what: str, do: str, undo: str) -> Steps[None]:
    """A bin's contact, where there is one."""
    trial = Try(
        f"{key}.{what}_trial",
        Trial.SWITCH,
        do,
        "it says full",
        undo,
        "it is clear",
        answers=(f"{key}.{what}",),
        runs=5.0,
    )
    found: list[Moved] | None = yield trial
    if found is None:
        return
    text = "Which of them is the bin's contact? (none: nothing is)"
    read = q.signal("active", "clear")
    answer, moved = yield from _find(
        trial, f"{key}.{what}", text, read, _worded, ("active", "clear"), "full", may_lack=True
    )
    if answer is not None:
        table.add("bin_full", answer, _seen(moved, "full"))


def _button(table: Table, key: str, the: str, what: str, do: str) -> Steps[None]:
    """A button, where there is one. A reset wants its word for released too."""
    trial = Try(f"{key}.{what}_trial", Trial.PRESS, do, "it is let go", answers=(f"{key}.{what}",))
    found: list[Moved] | None = yield trial
    if found is None:
        return
    reset = what == "reset"
    keys = ("pressed", "released") if reset else ("pressed", "")
    read = q.signal("pressed", "released") if reset else q.signal("pressed")

    def order(every: Sequence[Moved]) -> list[Moved]:
        taken = {(line.value.topic, line.value.pointer) for line in table.lines if isinstance(line.value, SignalAnswer)}
        free = [one for one in every if (one.topic, one.pointer) not in taken]
        usable = [one for one in free if one.off is not None] if reset else free
        return sorted(usable, key=_like_a_press, reverse=True)

    text = f"Which of them is the button of the {the}? (none: nothing is)"
    answer, moved = yield from _find(trial, f"{key}.{what}", text, read, order, keys, "pressed", may_lack=True)
    if answer is not None:
        table.add(what, answer, _seen(moved, "pressed"))


_PRESS: Final = frozenset({"single", "click", "press", "pressed", "push", "pushed", "short"})
_YES: Final = frozenset({"1", "true", "on", "down"})


def _like_a_press(one: Moved) -> float:
    """How likely its word is a button's, and not one of what stands beside it or of a door."""
    word = str(one.on).casefold()
    return one.rank * (1.0 if word in _PRESS else 0.9 if word in _YES else 0.7) * (1.0 if one.off is None else 1.05)


def _worded(found: Sequence[Moved]) -> list[Moved]:
    """What says a word for both, likeliest first."""
    return [one for one in found if one.on is not None and one.off is not None]


def _sensors(found: Sequence[Moved]) -> list[Moved]:
    """What could say that a tool runs: of the likeliest topic watts before amps before words, then the other topics."""
    usable = [one for one in found if one.measure is not None or (not one.is_number and one.off is not None)]
    best = by_topic(usable)
    kinds = {Measure.WATTS: 0, Measure.AMPS: 1}

    def place(one: Moved) -> tuple[float, str, int, float]:
        kind = kinds.get(one.measure, 2) if one.is_number and one.measure is not None else 2
        return -best[one.topic], one.topic, kind, -one.rank

    return sorted(usable, key=place)


def _seen(moved: Moved | None, was: str, *, levels: bool = False) -> str:
    """What it did, for a comment."""
    if moved is None:
        return "as answered"
    return (moved.because if levels or not moved.said else moved.said).replace("while it was on", f"while it was {was}")


def _levels(moved: Moved | None, unit: Measure, scale: float) -> str:
    """What was seen at rest and at work, in the unit."""
    if moved is None or moved.rest is None or moved.work is None:
        return ""
    rest, work = (_range(low * scale, high * scale) for low, high in (moved.rest, moved.work))
    return f"{rest} {unit} at rest, {work} while it ran"


def _three(value: float) -> str:
    """To three figures."""
    return f"{float(f'{value:.3g}'):.12g}"


def _range(low: float, high: float) -> str:
    least, most = f"{low:,.4g}", f"{high:,.4g}"
    return least if least == most else f"{least} to {most}"
