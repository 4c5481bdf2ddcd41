"""The parts of a first config: boards of our own, what the file is made of, answers in a file."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatehand.config import load_text
from gatehand.first_config import questions as q
from gatehand.first_config.answers import AnswersError
from gatehand.first_config.answers import given as answers
from gatehand.first_config.boards import Board, board
from gatehand.first_config.choices import Choice, Wanted, find, reports
from gatehand.first_config.draft import Device, Draft, Table
from gatehand.first_config.meters import thresholds
from gatehand.first_config.questions import BadAnswerError, SignalAnswer
from gatehand.first_config.steps import Ask, Try
from gatehand.first_config.trials import Moved, Trial

ABOUT = {"gatehand_board": 1, "role": "gate", "name": "band_saw", "topics": ["set", "state", "button", "online"]}


def said(**other: object) -> Board | None:
    return board("shop/gate/band_saw/about", json.dumps({**ABOUT, **other}).encode())


def test_a_board_of_our_own_says_its_tables_itself() -> None:
    found = said()
    assert found is not None
    assert found.signal("set") == SignalAnswer("shop/gate/band_saw/set", words={"open": "open", "shut": "shut"})
    assert found.signal("button") == SignalAnswer("shop/gate/band_saw/button", words={"pressed": "1"})
    assert found.signal("online") == SignalAnswer("shop/gate/band_saw/online", words={"active": "1", "clear": "0"})
    assert found.signal("amps") is None
    whole = said(topics={"amps": "shop/gate/band_saw/amps"})
    assert whole is not None
    assert whole.signal("amps") == SignalAnswer("shop/gate/band_saw/amps", "/amps", at="/at")


@pytest.mark.parametrize("other", [{"gatehand_board": 2}, {"role": "fan"}, {"name": 3}, {"topics": "set"}])
def test_what_is_no_board_of_ours_is_none(other: dict[str, object]) -> None:
    assert said(**other) is None
    assert board("shop/gate/band_saw/state", json.dumps(ABOUT).encode()) is None
    assert board("shop/about", b"{") is None
    assert board("shop/about", b"[" * 100_000) is None


TOPICS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="+#"), min_size=1)


@given(
    TOPICS.filter(lambda topic: topic.strip() and topic.count("/") < 100),
    st.text("ab\"'\\/ é", min_size=1).filter(str.strip),
)
def test_any_topic_and_word_stands_in_the_file_as_it_was_heard(topic: str, word: str) -> None:
    draft = Draft()
    table = draft.table("collector", "main")
    table.add("command", SignalAnswer(topic, words={"on": word, "off": f"{word}x"}), "# a comment, with a mark")
    table.add("min_open", 0)
    tool = draft.table("tool", "saw")
    tool.add("collector", "main")
    tool.add("running", SignalAnswer("other/topic", words={"active": "1", "clear": "0"}))
    loaded = load_text(draft.text(("opening",)), Path("config.toml"), files=False)
    if loaded.config is None:
        assert all("base" in one.message or "begin with $" in one.message for one in loaded.errors), loaded.problems
        return
    command = loaded.config.collector["main"].command
    assert (command.topic, command.on, command.off) == (topic, word, f"{word}x")


@pytest.mark.parametrize(
    ("read", "raw", "wanted"),
    [
        (q.names, "band saw, drum-sander", ["band_saw", "drum-sander"]),
        (q.names, ["a", "b"], ["a", "b"]),
        (q.names, "none", []),
        (q.seconds, "90", 90.0),
        (q.seconds, "1 min 30 s", 90.0),
        (q.seconds, 2, 2.0),
        (q.positive, "77 W", 77.0),
        (q.positive, 2.5, 2.5),
        (q.port, 1883, 1883),
        (q.one_of("motor", "hand"), "m", "motor"),
        (q.signal(), "shop/saw", SignalAnswer("shop/saw")),
        (
            q.signal("on", "off"),
            '{ topic = "a", on = 1, off = false }',
            SignalAnswer("a", None, {"on": "1", "off": "false"}),
        ),
        (q.signal(or_keys=("active", "clear")), {"topic": "a", "pointer": "/v"}, SignalAnswer("a", "/v")),
    ],
)
def test_an_answer_is_read_as_it_is_written(read: q.Read, raw: object, wanted: object) -> None:
    assert read(raw) == wanted


@pytest.mark.parametrize(
    ("read", "raw"),
    [
        (q.names, "a, a"),
        (q.names, "!"),
        (q.seconds, "soon"),
        (q.some_seconds, 0),
        (q.positive, "0"),
        (q.positive, True),
        (q.port, "0"),
        (q.text, " "),
        (q.one_of("motor", "hand"), ""),
        (q.names_of(["a"], "gate"), "b"),
        (q.name_of(["a", "b"], "gate"), "a, b"),
        (q.signal("on", "off"), "shop/fan"),
        (q.signal("on", "off"), '{ topic = "a", on = "1" }'),
        (q.signal("on", "off"), '{ topic = "a", on = "1", off = "1" }'),
        (q.signal(), '{ topic = "a", colour = "green" }'),
        (q.signal(), "{ topic"),
    ],
)
def test_what_is_no_answer_says_what_is_wanted(read: q.Read, raw: object) -> None:
    with pytest.raises(BadAnswerError, match=r"wanted|there is no|there are"):
        read(raw)


def test_an_option_outranks_the_file_of_answers(tmp_path: Path) -> None:
    file = tmp_path / "answers.toml"
    file.write_text(
        'gates = ["a"]\n[broker]\nhost = "x"\nport = 1884\n[gate.a]\nstate = { topic = "t", open = 1, shut = 0 }\n'
    )
    assert answers(["broker.host=y"], file) == {
        "gates": ["a"],
        "broker.host": "y",
        "broker.port": 1884,
        "gate.a.state": {"topic": "t", "open": 1, "shut": 0},
    }
    with pytest.raises(AnswersError, match=r"gate\.a\.colour"):
        answers(["gate.a.colour=green"], None)


@pytest.mark.parametrize("known", [True, False])
def test_a_command_topic_is_never_taken_for_a_report_unasked(known: bool) -> None:
    set_, state = (
        Moved(f"gate/{last}", None, rank, "said so", on="open", off="shut")
        for last, rank in (("set", 0.9), ("state", 0.4))
    )
    trial = Try("gate.a.trial", Trial.SWITCH, "open", "it is open")
    wanted = Wanted(
        "gate.a.state", "Which?", ("open", "shut"), "open", lambda found: reports(found, None), True, False, True
    )
    steps = find(trial, wanted)
    next(steps)
    ask = steps.send([set_, state] if known else [set_])
    assert isinstance(ask, Ask)
    assert ask.suggestion == (state.written("open", "shut") if known else "none")
    assert ask.options[-1].answer == set_.written("open", "shut"), "shown it is"


@pytest.mark.parametrize(("pointer", "unit"), [("/in2/power", "W"), ("/amps", "A"), ("/x", None)])
def test_a_meter_that_was_typed_is_taken_for_what_its_name_says(pointer: str, unit: str | None) -> None:
    typed = Choice(SignalAnswer("gateway/7", pointer))
    ask = next(thresholds(Device(Table("tool", "saw"), "saw"), typed, None))
    assert isinstance(ask, Ask)
    assert ask.suggestion == unit
