"""A shop whose devices say and are told all that they can: whoever goes through the signals knows each of them."""

from pathlib import Path
from typing import get_args

import pytest

from gatehand.access_rights import Right, users
from gatehand.config import Config, load_text
from gatehand.config.signals import GateCommand, Signal, SwitchCommand, TopicSource
from gatehand.config.tables import CollectorTable, GateTable, StopTable, ToolTable
from gatehand.exercise.observed_state import ObservedState
from gatehand.shell.encode_commands import CommandEncoder
from gatehand.shell.routes import Routes

SHOP = """
[collector.main]
command = { topic = "c/set", on = "1", off = "0" }
state = { topic = "c/state", on = "1", off = "0", poll = { topic = "c/state/ask", payload = "?" } }
current = { topic = "c/amps", poll = { topic = "c/amps/ask", payload = "?" } }
bin_full = { topic = "c/bin", active = "1", clear = "0", poll = { topic = "c/bin/ask", payload = "?" } }
suction = { topic = "c/inlet", unit = "Pa", poll = { topic = "c/inlet/ask", payload = "?" } }
reset = { topic = "c/reset", pressed = "1", released = "0", poll = { topic = "c/reset/ask", payload = "?" } }
online = { topic = "c/online", active = "1", clear = "0", poll = { topic = "c/online/ask", payload = "?" } }

[gate.saw]
collector = "main"
command = { topic = "g/set", open = "open", shut = "shut" }
state = { topic = "g/state", open = "open", shut = "shut", poll = { topic = "g/state/ask", payload = "?" } }
button = { topic = "g/button", pressed = "1", poll = { topic = "g/button/ask", payload = "?" } }
online = { topic = "g/online", active = "1", clear = "0", poll = { topic = "g/online/ask", payload = "?" } }

[collector.shed]
command = { topic = "d/set", on = "1", off = "0" }
power = { topic = "d/watts", poll = { topic = "d/watts/ask", payload = "?" } }
min_open = 0

[collector.loft]
command = { topic = "e/set", on = "1", off = "0" }
running = { topic = "e/air", active = "1", clear = "0", poll = { topic = "e/air/ask", payload = "?" } }
min_open = 0

[tool.lathe]
collector = "shed"
power = { topic = "l/watts", poll = { topic = "l/watts/ask", payload = "?" } }
start_watts = 100

[tool.mill]
collector = "loft"
running = { topic = "m/out", active = "1", clear = "0", poll = { topic = "m/out/ask", payload = "?" } }

[tool.saw]
gates = ["saw"]
current = { topic = "t/amps", poll = { topic = "t/amps/ask", payload = "?" } }
start_amps = 2.5
online = { topic = "t/online", active = "1", clear = "0", poll = { topic = "t/online/ask", payload = "?" } }

[stop.emergency]
topic = "s/contact"
active = "1"
clear = "0"
poll = { topic = "s/contact/ask", payload = "?" }
online = { topic = "s/online", active = "1", clear = "0", poll = { topic = "s/online/ask", payload = "?" } }
"""


@pytest.fixture
def config() -> Config:
    loaded = load_text(SHOP, Path("shop.toml"))
    assert loaded.config is not None, loaded.problems
    return loaded.config


@pytest.fixture
def signals(config: Config) -> tuple[Signal, ...]:
    return tuple(config.signals())


def is_signal(annotation: object) -> bool:
    kinds = (annotation, *get_args(annotation))
    return any(isinstance(each, type) and issubclass(each, TopicSource | SwitchCommand | GateCommand) for each in kinds)


def test_the_shop_of_this_file_has_every_signal_that_a_table_can_have(signals: tuple[Signal, ...]) -> None:
    models: dict[str, type[CollectorTable | GateTable | StopTable | ToolTable]] = {
        "collector": CollectorTable,
        "gate": GateTable,
        "stop": StopTable,
        "tool": ToolTable,
    }
    possible = {
        (kind, key)
        for kind, model in models.items()
        for key, field in model.model_fields.items()
        if is_signal(field.annotation)
    }
    assert {(one.kind, one.key) for one in signals} == possible | {("stop", "contact")}
    assert ("stop", "online") in possible
    assert all(one.heard is None or one.poll is not None for one in signals)


def test_a_signal_names_its_device_and_where_it_stands_in_the_config(signals: tuple[Signal, ...]) -> None:
    by_topic = {one.topic: one for one in signals}
    assert by_topic["c/reset"].path == ("collector", "main", "reset")
    assert by_topic["s/contact"].path == ("stop", "emergency")
    assert by_topic["s/online"].path == ("stop", "emergency", "online")
    assert [one.topic for one in signals if one.is_stop] == ["s/contact"]
    assert by_topic["g/set"].heard is None
    assert signals[0].kind == "stop"


def test_the_daemon_listens_to_every_signal_and_knows_every_command(
    config: Config, signals: tuple[Signal, ...]
) -> None:
    routes = Routes(config)
    live, first = ({one.topic for one in some} for some in (routes.live, routes.first))
    for one in signals:
        if one.heard is None:
            assert one.topic in first
            assert routes.commands[one.topic] == (one.kind, one.name)
        else:
            assert one.topic in live
            assert routes.is_needed(one.topic)
            events = [
                routes.events(one.topic, word, retained=False, now=at)
                for at, word in enumerate((b"1", b"0", b"open", b"2.5"))
            ]
            assert any(events) or routes.take_suctions(), one


def test_every_signal_that_can_be_asked_is_asked(config: Config, signals: tuple[Signal, ...]) -> None:
    asked = {(*one, message.topic) for message, some in CommandEncoder(config).questions.items() for one in some}
    assert asked == {(one.kind, one.name, one.key, one.poll.topic) for one in signals if one.poll is not None}


def test_the_access_list_lets_the_device_say_it_and_the_daemon_hear_it(
    config: Config, signals: tuple[Signal, ...]
) -> None:
    rights = {user.name: set(user.rights) for user in users(config)}
    for one in signals:
        device, daemon = rights[f"{one.kind}-{one.name}"], rights["gatehand"]
        if one.heard is None:
            assert (Right.READ, one.topic) in device
            assert (Right.READ_WRITE, one.topic) in daemon
        else:
            # A device hears its own `online` too: its will may come late.
            assert (Right.READ_WRITE if one.key == "online" else Right.WRITE, one.topic) in device
            assert (Right.READ, one.topic) in daemon
        if one.poll is not None:
            assert (Right.READ, one.poll.topic) in device
            assert (Right.WRITE, one.poll.topic) in daemon
        assert (Right.READ, one.topic) in rights["viewer"]


def test_exercise_listens_to_every_signal_and_misses_none_that_spoke(
    config: Config, signals: tuple[Signal, ...]
) -> None:
    state = ObservedState(config)
    heard = {one.topic for one in signals if one.heard is not None}
    assert heard <= set(state.topics)
    assert {one.topic for one in state.unheard()} == heard


def test_the_check_looks_at_the_topic_of_every_signal_and_question(signals: tuple[Signal, ...]) -> None:
    """Each in turn as the daemon's own base, where no device may speak."""
    for one in signals:
        for path, topic in ((one.path, one.topic), ((*one.path, "poll"), one.poll.topic if one.poll else "")):
            if topic:
                loaded = load_text(f'[broker]\nbase = "{topic}"\n{SHOP}', Path("shop.toml"))
                assert ".".join((*path, "topic")) in {each.where for each in loaded.errors}, topic
