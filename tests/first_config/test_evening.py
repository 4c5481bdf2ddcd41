"""An evening with its interruptions: broken off and resumed, a broker that goes, a wrong press, nobody there."""

import asyncio
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from evenings import InMemoryKept
from made_shops import MadeShop
from made_world import MadeWorld
from shop_owner import OwnersEvening

from gatehand.config import load_text
from gatehand.config.model import Config
from gatehand.first_config.answers import Kept
from gatehand.first_config.draft import Draft
from gatehand.first_config.evening import Evening
from gatehand.first_config.port import (
    BrokenOffError,
    BrokerWord,
    UnansweredError,
    UnreachableError,
    WrongAnswerError,
)
from gatehand.first_config.steps import Ask, Connect, Try
from gatehand.person import EndOfInput
from gatehand.simshop.sim_shop import Habits

SHOP = """
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
state = { topic = "shop/fan/state", on = "1", off = "0" }
coast_down = 8

[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }
travel = 2

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps", pointer = "/amps" }
start_amps = 2.5
run_on = 10

[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""


class Owner(OwnersEvening):
    """The owner of that shop, whose answers a test may put others before. `instead`: by key, and gone once given."""

    def __init__(self, text: str = SHOP) -> None:
        super().__init__(MadeShop(1, text, Habits()))
        self.instead: dict[str, list[str]] = {}
        self.on_ask: Callable[[str], None] = lambda _key: None

    def ask(self, text: str) -> None:
        step = self.evening.at
        assert isinstance(step, Ask | Try)
        self.on_ask(step.key)
        if self.instead.get(step.key):
            self.asked.append(step.key)
            self.said.append(text)
            self._type(self.instead[step.key].pop(0), after=0.4)
        else:
            super().ask(text)

    def happen(self, what: EndOfInput | BrokerWord, after: float = 0.0) -> None:
        self.plan(after, lambda: self._waiting.append(what))


def spend(owner: OwnersEvening, kept: Kept | None = None, *, suggested: bool = False, **given: object) -> Draft:
    """The evening; `given`: answers by their keys, dots written as two underscores."""
    answers = {key.replace("__", "."): value for key, value in given.items()}
    owner.evening = Evening(owner, answers, kept or InMemoryKept(), suggested=suggested)
    return asyncio.run(owner.evening.run())


def config_of(draft: Draft) -> Config:
    loaded = load_text(draft.text(), Path("config.toml"), files=False)
    assert loaded.config is not None, (loaded.problems, draft.text())
    return loaded.config


def questions_of(owner: OwnersEvening) -> Iterator[str]:
    return (line for said in owner.said for line in said.splitlines())


def test_it_finds_the_shop() -> None:
    owner = Owner()
    found = config_of(spend(owner))
    assert found.tool["band_saw"].current == owner.config.tool["band_saw"].current
    assert found.gate["band_saw"].state == owner.config.gate["band_saw"].state
    assert found.stop["emergency"] == owner.config.stop["emergency"]
    assert any("not a safety device" in line for line in questions_of(owner))
    assert any("unplug or" in line for line in questions_of(owner)), "the caution at the stop"


@pytest.mark.parametrize("at", range(1, 26, 4))
def test_ctrl_c_at_any_question_loses_nothing_and_the_same_command_goes_on(tmp_path: Path, at: int) -> None:
    whole = Owner()
    wanted = list(config_of(spend(whole)).signals())
    path = tmp_path / "config.toml"
    first = Owner()
    first.on_ask = lambda _key: first.happen(EndOfInput.INTERRUPTED) if len(first.asked) == at - 1 else None
    with pytest.raises(BrokenOffError):
        spend(first, Kept(path))
    kept = Kept(path)
    again = Owner()
    assert kept.read() is (at > 1)
    assert kept.path.stat().st_mode & 0o777 == 0o600 if at > 1 else not kept.path.exists()
    assert list(config_of(spend(again, kept)).signals()) == wanted
    done = {key for key in first.asked[: at - 1] if key != first.asked[at - 1]}
    assert not done & set(again.asked), "nothing is asked twice"


def test_an_unfinished_file_holds_no_password_and_is_told(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("hunter2\n")
    owner = Owner()
    owner.instead = {"broker.username": ["gatehand"], "broker.password_file": ["secret"]}
    kept = Kept(tmp_path / "config.toml")
    draft = spend(owner, kept)
    assert 'password_file = "secret"' in draft.text()
    assert "hunter2" not in kept.path.read_text() + draft.text()


def test_a_broker_that_goes_in_a_trial_is_waited_for_and_the_trial_is_done_again() -> None:
    owner = Owner()
    tries: list[str] = []

    def lose(key: str) -> None:
        if key == "tool.band_saw.trial":
            tries.append(key)
            if len(tries) == 1:
                owner.happen(BrokerWord("the broker is gone (closed)"), after=2.0)
                owner.happen(BrokerWord(None), after=9.0)

    owner.on_ask = lose
    found = config_of(spend(owner))
    assert found.tool["band_saw"].current == owner.config.tool["band_saw"].current
    assert len(tries) == 4, "on and off, and both once more"
    assert any("Waiting for it" in line for line in questions_of(owner))
    assert any("The broker is back" in line for line in questions_of(owner))


def test_what_a_daemon_says_itself_is_no_device() -> None:
    owner = Owner()

    def echo(key: str) -> None:
        if key == "tool.band_saw.trial":
            word = "running" if owner.asked[-1] != key else "idle"
            owner.plan(4.5, lambda: owner.world.say("gatehand/tool/band_saw", word, owner.time))

    owner.on_ask = echo
    spend(owner)
    assert not any("gatehand/" in line for line in questions_of(owner))


def test_a_wrong_press_is_done_again() -> None:
    owner = Owner()
    owner.instead = {"tool.band_saw.sensor": ["again"]}
    found = config_of(spend(owner))
    assert owner.asked.count("tool.band_saw.trial") == 4
    assert found.tool["band_saw"].current == owner.config.tool["band_saw"].current


@pytest.mark.parametrize("again", [False, True])
def test_what_was_touched_too_early_is_found_all_the_same(again: bool) -> None:
    other = '\n[gate.sweep]\ncommand = { topic = "s/set", open = "1", shut = "0" }\n'
    owner = Owner(SHOP + other + 'button = { topic = "s/button", pressed = "1" }\n')
    gate, tool = owner.world.shop.gates["band_saw"], owner.world.shop.tools["band_saw"]
    for key in ("gate.band_saw.state", "gate.sweep.button", "tool.band_saw.sensor"):
        owner.instead[key] = ["again"] if again else []

    def touch(key: str) -> None:
        if key == "collectors":  # while it was listened to what speaks by itself
            gate.move_by_hand(to_open=True, at=owner.time)
            owner.plan(3.0, lambda: gate.move_by_hand(to_open=False, at=owner.time))
            owner.plan(6.0, lambda: owner.world.shop.gates["sweep"].press(owner.time))
        elif key == "tool.band_saw.gates":
            tool.switch(on=True, at=owner.time)
            owner.plan(2.5, lambda: tool.switch(on=False, at=owner.time))
        elif key == "gates":
            owner.time += 10.0

    owner.on_ask = touch
    found = config_of(spend(owner))
    assert found.gate["band_saw"].state == owner.config.gate["band_saw"].state
    assert found.gate["sweep"].button == owner.config.gate["sweep"].button
    assert found.tool["band_saw"].current == owner.config.tool["band_saw"].current
    assert not {key for key in owner.typed if not key.endswith("command")}
    said = " ".join(questions_of(owner))
    assert "changed at other times too" in said


def test_back_shows_what_was_heard_again() -> None:
    owner = Owner()
    owner.instead = {"tool.band_saw.unit": ["back"], "gate.band_saw.travel": ["back", "back"]}
    draft = spend(owner)
    for text in ("Which of them says that the band saw runs?", "Which of them is the report of the gate band saw?"):
        shown = [said for said in owner.said if text in said]
        assert len(shown) >= 1 + (text.count("runs"))
        assert all(said.startswith("Heard:\n  1  ") for said in shown), shown
    assert "at rest" in draft.text()
    other = Owner()
    other.instead = {"tool.band_saw.run_on": ["back"]}
    spend(other)
    (first, again) = (said for said in other.said if "is the band saw running?" in said)
    assert again == first, "with its levels and its suggestion"


def test_it_is_not_asked_how_a_thing_is_worked_that_is_not_worked() -> None:
    owner = Owner()
    spend(owner, gate__band_saw__trial="type", collector__main__trial="skip")
    assert not {"gate.band_saw.worked", "collector.main.worked"} & set(owner.asked)
    assert "Nothing has changed with it" not in " ".join(owner.said)


def test_where_nothing_follows_the_waiting_ends_when_it_said_it_would() -> None:
    owner = Owner()
    gate = owner.world.shop.gates["band_saw"]
    gate.move_by_hand = lambda **_: None  # type: ignore[method-assign]
    moments: list[tuple[str, float]] = []
    owner.on_ask = lambda key: moments.append((key, owner.time))
    spend(owner)
    (on, off) = [at for key, at in moments if key == "gate.band_saw.trial"]
    assert any("until you are asked, in 6 to 25 s" in line for line in questions_of(owner))
    assert any("Nothing has changed with it so far" in line for line in questions_of(owner))
    assert 25 < off - on < 25 + 8, "besides what the owner takes for it"


def test_back_goes_to_the_question_before() -> None:
    owner = Owner()
    owner.instead = {"tool.band_saw.run_on": ["12", "back"], "stop.emergency.trial": ["back"]}
    found = config_of(spend(owner))
    assert owner.asked.count("tool.band_saw.run_on") == 3
    assert owner.asked.count("tool.band_saw.start") == 2
    assert found.tool["band_saw"].run_on == 10


@pytest.mark.parametrize(
    ("instead", "table", "missing"),
    [
        ({"tool.band_saw.trial": ["skip"]}, "tool.band_saw", "what says that it runs"),
        ({"stop.emergency.trial": ["skip"]}, "stop.emergency", "Until then it stops no collector"),
        ({"gate.band_saw.command": ["skip"]}, "gate.band_saw", "its command"),
    ],
)
def test_what_is_skipped_stands_as_a_comment_that_says_what_is_missing(
    instead: dict[str, list[str]], table: str, missing: str
) -> None:
    other = '\n[gate.sweep]\ncommand = { topic = "s/set", open = "1", shut = "0" }\n'
    owner = Owner(SHOP + other + 'button = { topic = "s/button", pressed = "1" }\n')
    owner.instead = dict(instead)
    draft = spend(owner)
    text = draft.text()
    assert f"\n# [{table}]" in text
    assert any(table in one and missing in one for one in draft.unfinished)
    assert missing in text
    loaded = load_text(text, Path("config.toml"), files=False)
    assert loaded.ok, loaded.problems
    if table == "gate.band_saw":
        assert "# [tool.band_saw]" in text, "a tool without its gate is not finished either"


def test_a_collector_that_is_not_finished_leaves_nothing_to_run() -> None:
    owner = Owner()
    owner.instead = {"collector.main.command": ["skip"]}
    loaded = load_text(spend(owner).text(), Path("config.toml"), files=False)
    assert ["there is no collector" in one.message for one in loaded.errors] == [True]


def test_nobody_there_ends_it_with_the_key_that_is_wanted() -> None:
    owner = Owner()
    owner.happen(EndOfInput.NOBODY_THERE)
    with pytest.raises(UnansweredError, match=r"tool\.band_saw\.gates=") as found:
        _all_but_the_tools_gates(owner)
    assert found.value.key == "tool.band_saw.gates"


def test_nobody_there_all_that_is_known_to_be_missing_is_named_at_once() -> None:
    owner = Owner()
    owner.happen(EndOfInput.NOBODY_THERE)
    with pytest.raises(UnansweredError) as found:
        spend(
            owner, collectors="main", tools="band saw", tool__band_saw__gates="band saw", tool__band_saw__trial="type"
        )
    said = str(found.value)
    assert found.value.key == "broker.host"
    lines = said.splitlines()
    assert "  broker.port (--yes takes 1883)" in lines
    for key in ("gates", "collector.main.trial", "collector.main.command", "tool.band_saw.run_on (--yes takes 10)"):
        assert any(line.startswith(f"  {key}") for line in lines), (key, said)
    assert "tool.band_saw.gates" not in said
    assert len(set(lines)) == len(lines), "each once"


def test_a_certificate_that_is_not_there_is_told_at_its_question(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    owner = Owner()
    owner.instead = {"broker.ca_file": ["nowhere.pem", "ca.pem", "none"]}
    attempts: list[Connect] = []

    async def connect(to: Connect) -> str | None:
        attempts.append(to)
        return await Owner.connect(owner, to)

    owner.connect = connect  # type: ignore[method-assign]
    spend(owner, Kept(tmp_path / "config.toml"))
    assert any(f"there is no file {tmp_path / 'nowhere.pem'}" in line for line in questions_of(owner))
    assert any(f"{tmp_path / 'ca.pem'} holds no certificate" in line for line in questions_of(owner))
    assert [one.ca_file for one in attempts] == [None]


ON_CHANGE = """
[tool.jointer]
gates = ["band_saw"]
running = { topic = "jointer/run", active = "ON", clear = "OFF" }
"""


@pytest.mark.parametrize("kept", [True, False])
def test_silent_after_fits_the_meter_and_a_first_cut_that_will_be_missed_is_told(kept: bool) -> None:
    owner = Owner(SHOP + ON_CHANGE)
    (owner.made.kept if kept else owner.made.not_kept).add("jointer/run")
    owner.world = MadeWorld(owner.made)
    owner.world.begin()
    draft = spend(owner)
    assert config_of(draft).tool["band_saw"].silent_after == 30
    assert draft.first_cuts == ([] if kept else ["tool.jointer running"])
    text = " ".join(draft.text().replace("\n# ", " ").split())
    assert ("the broker keeps its last word" in text) is kept
    assert (
        "the first cut after each start of the daemon is missed: add poll to running, or let the device retain" in text
    ) is not kept


def test_a_meter_of_one_second_shows_its_rhythm_however_short_the_quiet() -> None:
    owner = Owner()
    given = {"tool.band_saw.sensor": {"topic": "shop/band_saw/amps", "pointer": "/amps"}, "tool.band_saw.unit": "A"}
    given |= {"tool.band_saw.start": 2.5, "collector.main.command": {"topic": "f", "on": 1, "off": 0}}  # type: ignore[dict-item]
    given |= {"gates": "none", "tools": "band saw", "stops": "none"}
    owner.evening = Evening(owner, given, InMemoryKept(), suggested=True, listen_first=0.2)
    draft = asyncio.run(owner.evening.run())
    assert config_of(draft).tool["band_saw"].silent_after == 30
    assert draft.first_cuts == []


def _all_but_the_tools_gates(owner: Owner) -> Draft:
    return spend(
        owner,
        broker__host="127.0.0.1",
        broker__port=1883,
        broker__username="none",
        broker__ca_file="none",
        collectors="main",
        gates=["band_saw"],
        tools="band saw",
        stops="none",
        gate__band_saw__moved="hand",
        gate__band_saw__state={"topic": "g", "open": True, "shut": False},
        collector__main__worked="hand",
        collector__main__trial="skip",
        collector__main__command={"topic": "a", "on": 1, "off": 0},
        collector__main__coast_down="8 s",
        collector__main__bin_trial="none",
        collector__main__reset_trial="none",
    )


def test_suggestions_are_taken_where_that_is_asked_for() -> None:
    owner = Owner()
    owner.happen(EndOfInput.NOBODY_THERE)
    with pytest.raises(UnansweredError) as found:
        spend(owner, suggested=True, gates="band saw")
    assert found.value.key == "gate.band_saw.command", "what nobody can guess is still wanted"


def test_a_trial_may_be_timed_where_nobody_types() -> None:
    owner = Owner()

    def run(on: bool, at: float) -> None:
        owner.plan(at, lambda: owner.world.shop.tools["band_saw"].switch(on=on, at=owner.time))

    def saying(text: str) -> None:
        owner.said.append(text)
        if "Switch the band saw on, within 20 s" in text:
            run(True, 4.0)
        elif "Now switch the band saw off, within 20 s" in text:
            run(False, 4.0)

    owner.say = saying  # type: ignore[method-assign]
    found = config_of(spend(owner, tool__band_saw__trial="listen"))
    assert found.tool["band_saw"].current == owner.config.tool["band_saw"].current
    assert "tool.band_saw.trial" not in owner.asked


def test_an_answer_that_was_given_and_does_not_do_is_named() -> None:
    for key, value in (("tool__band_saw__run_on", "soon"), ("broker__port", "many"), ("collectors", "a, a")):
        with pytest.raises(WrongAnswerError, match=key.replace("__", ".")):
            spend(Owner(), **{key: value})  # type: ignore[arg-type]


def test_a_broker_that_is_not_there_is_asked_for_again() -> None:
    owner = Owner()
    attempts: list[Connect] = []

    async def connect(to: Connect) -> str | None:
        attempts.append(to)
        return "no connection to the broker at shop:1883" if len(attempts) == 1 else await Owner.connect(owner, to)

    owner.connect = connect  # type: ignore[method-assign]
    owner.instead = {"broker.host": ["shop", "shop2"]}
    assert config_of(spend(owner)).broker.host == "shop2"
    assert any("no connection to the broker at shop:1883" in line for line in questions_of(owner))
    other = Owner()
    other.connect = connect  # type: ignore[method-assign]
    attempts.clear()
    with pytest.raises(UnreachableError, match="no connection"):
        spend(other, broker__host="shop")
