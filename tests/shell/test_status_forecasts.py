"""A status foretells nothing that does not come: a morning in which demands cross each other, looked at at each word.

`tests/sim/test_sim_forecasts.py` does the same on days full of faults.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any, TypeAlias

import pytest
from msgspec.structs import replace
from shell_support import World
from support.quiet_world import Told

from gatehand.mqtt.inbox import Message
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.lines import text_of
from gatehand.screen.page import page
from gatehand.shell import foresight, state_publisher, status_messages
from gatehand.shell.status_messages import Present, Subject
from gatehand.times import lasting, local_clock
from gatehand_rules import Shop, State
from gatehand_rules import forecast as rules_forecast
from gatehand_rules.forecast import Ahead
from gatehand_rules.state import ToolRunOn

SHOP = """
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
state = { topic = "shop/fan/state", on = "1", off = "0" }
spin_up = 1
coast_down = 6
refresh = 120
max_open = 2
starts_per_hour = 3
"""
for _gate in ("saw", "jointer", "sweep"):
    SHOP += f"""
[gate.{_gate}]
command = {{ topic = "shop/gate/{_gate}/set", open = "open", shut = "shut" }}
state = {{ topic = "shop/gate/{_gate}/state", open = "open", shut = "shut" }}
button = {{ topic = "shop/gate/{_gate}/button", pressed = "1" }}
travel = 2
hand_limit = 900
"""
for _tool, _run_on in (("saw", 10), ("jointer", 25)):
    SHOP += f"""
[tool.{_tool}]
gates = ["{_tool}"]
current = {{ topic = "shop/{_tool}/amps" }}
start_amps = 2
run_on = {_run_on}
silent_after = 300
run_limit = "20 min"
"""

Patch: TypeAlias = pytest.MonkeyPatch


class Morning(World):
    """Its devices do what they are told; every status is held against what comes of it."""

    wrong: list[str]
    told: Counter[str]
    _answered = 0

    def begin(self, fan: str = "0") -> "Morning":
        self.wrong, self.told = [], Counter()
        self.amps = {"saw": "0", "jointer": "0"}
        self.connect(("shop/fan/state", fan), *((f"shop/gate/{gate}/state", "shut") for gate in ("saw", "jointer")))
        self.pass_by(4)
        return self

    def cut(self, tool: str, amps: str = "5") -> None:
        self.amps[tool] = amps
        self.say(f"shop/{tool}/amps", amps)
        self.look()

    def pass_by(self, seconds: float) -> None:
        """Time, with each device's answers, its readings, and the engine's beat."""
        for tenth in range(round(seconds * 10)):
            self.run(0.1)
            self._answer()
            if tenth % 10 == 0:
                self.engine.beat()
                for tool, amps in self.amps.items():
                    self.say(f"shop/{tool}/amps", amps)
            self.look()

    def _answer(self) -> None:
        for sent in self.acts()[self._answered :]:
            delay = 0.7 if "/gate/" in sent.topic else 0.0
            if self.clocks.now < sent.at + delay:
                break
            self._answered += 1
            self.say(sent.topic.replace("/set", "/state"), sent.text)

    def look(self) -> None:
        statuses = {
            (kind, name): self.shown(f"{kind}/{name}")
            for kind, name in (topic.split("/")[1:3] for topic in self.transport.retained if topic.count("/") == 2)
            if kind in {"tool", "gate", "collector"}
        }
        told = Told(self.engine.active.shop, statuses, self.clocks.ahead)
        if told.key != getattr(self, "_key", None):
            self._key = told.key
            self.wrong += told.judge(self.engine.state, self.clocks.now, self.told)

    def fan(self) -> Any:  # noqa: ANN401 - JSON
        return self.shown("collector/main")


def off_because(world: Morning) -> str:
    """In how many seconds it goes off, and what is over then."""
    told = Told(world.engine.active.shop, {("collector", "main"): world.fan()}, world.clocks.ahead)
    at, because = told.until["main"], world.fan()["until_because"]
    return "stays on" if at is None and because is None else f"{round((at or 0) - world.clocks.now)} s: {because}"


def morning(world: Morning) -> Iterator[str]:
    """Cuts, a hand start and run-ons across each other, a full `max_open`, a start while it coasts, a spent budget."""
    world.begin()
    world.cut("saw")
    world.pass_by(3)
    yield "the saw cuts"
    world.cut("jointer")
    world.pass_by(3)
    yield "the jointer too"
    world.cut("jointer", "0")
    world.pass_by(1)
    yield "its run-on"
    world.say("shop/gate/sweep/button", "1")
    world.pass_by(3)
    yield "the sweep takes its place"
    world.cut("saw", "0")
    world.pass_by(1)
    yield "the saw has stopped"
    world.say("shop/gate/sweep/button", "1")
    world.pass_by(1)
    yield "the sweep is over"
    world.clocks.ahead -= 7200
    world.pass_by(40)
    yield "the clock was set, and the fan has stopped"
    world.cut("saw")
    world.pass_by(3)
    world.cut("saw", "0")
    world.pass_by(11)
    world.cut("jointer")
    yield "a start while the fan coasts"
    world.pass_by(4)
    world.cut("jointer", "0")
    world.pass_by(30)
    yield "the third start of three"


WORDS = {
    "the saw cuts": ("saw is running", "1197 s: run limit of saw"),
    "the jointer too": ("saw and jointer are running", "1197 s: run limit of jointer"),
    "its run-on": ("saw is running; run-on of jointer", "1193 s: run limit of saw"),
    "the sweep takes its place": ("saw is running; hand start at sweep", "1190 s: run limit of saw"),
    "the saw has stopped": ("hand start at sweep; run-on of saw", "896 s: hand start at sweep"),
    "the sweep is over": ("run-on of saw and jointer", "19 s: run-on of jointer"),
}


def test_all_that_is_foretold_in_a_morning_comes_true() -> None:
    world = Morning(SHOP)
    said = {step: (world.fan()["because"], off_because(world)) for step in morning(world)}
    assert world.wrong == []
    for kind in ("until", "run_on_until", "run_on_ends", "hand_ends", "coast_down_until"):
        assert world.told[kind] > 0, f"never looked at: {kind}"
    assert {step: said[step] for step in WORDS} == WORDS
    assert said["the third start of three"][1].endswith("s: start limit: 3 of 3 starts in the last hour")


def test_the_screen_counts_down_to_what_the_status_says() -> None:
    world = Morning(SHOP)
    for _ in morning(world):
        status = DaemonStatus("gatehand")
        status.connected()
        for topic, text in world.transport.retained.items():
            status.hear(Message(topic, text.encode(), True, 0.0), 0.0)
        shown = "\n".join(text_of(each) for each in page(status, "here", world.clocks.wall(), width=160))
        fan, left = world.fan(), off_because(world)
        assert ("off in" in shown) == (left != "stays on" and int(left.split()[0]) < 3600)
        if "off in" in shown:
            assert f"off in {lasting(int(left.split()[0]), whole=True)} ({fan['until_because']})" in shown
        served = [tool for tool in ("saw", "jointer") if world.shown(f"tool/{tool}")["run_on_ends"] is not None]
        assert len(re.findall(r"run-on \d+ s", shown)) == len(served)


def test_a_run_on_is_shown_only_while_it_is_served() -> None:
    world = Morning(SHOP)
    shown = {step: world.shown("tool/jointer") for step in morning(world)}
    assert shown["its run-on"]["run_on_ends"] is not None
    for step in ("the sweep takes its place", "the saw has stopped"):
        assert shown[step]["state"] == "run_on"
        assert shown[step]["run_on_ends"] is None
    assert shown["the sweep is over"]["run_on_ends"] is not None


def test_a_budget_that_is_spent_says_until_when_the_fan_stays_on() -> None:
    world = Morning(SHOP.replace("starts_per_hour = 3", "starts_per_hour = 1")).begin()
    world.cut("saw")
    world.pass_by(3)
    world.cut("saw", "0")
    world.pass_by(20)
    free = world.engine.state.collectors[0].started_at + 3600
    clock = local_clock(round((world.clocks.ahead + free) * 1000))
    assert world.fan()["because"] == f"it stays on until {clock}: the motor has used 1 of 1 start in the last hour"
    assert off_because(world) == f"{round(free - world.clocks.now)} s: start limit: 1 of 1 start in the last hour"
    assert world.fan()["run_on_until"] is None
    world.pass_by(130)
    assert world.events("collector_on")[-1]["rule"] == "refresh"
    assert world.fan()["because"].startswith("it stays on until"), "a refresh is no news"
    assert world.wrong == []


def test_what_is_seen_of_the_fan_is_no_reason_why_it_is_on_or_off() -> None:
    world = Morning(SHOP.replace("max_open = 2", "max_open = 2\nmin_open = 0")).begin()
    world.pass_by(5)
    world.say("shop/fan/state", "1")  # somebody's hand: so far it is off, and turns
    assert (world.fan()["state"], world.fan()["because"]) == ("off", "collector is running: its switch reports on")
    world.pass_by(3)
    assert world.fan()["because"] == "it was switched on at its own switch and is left on"
    assert off_because(world) == "stays on"
    world.say("shop/fan/state", "0")
    assert off_because(world) == "2 s: switched off at its own switch"
    assert world.fan()["because"] == "it was switched on at its own switch and is left on"
    world.pass_by(3)
    assert world.fan()["because"] == "collector was switched off at its own switch"
    assert world.wrong == []


def test_a_cut_without_a_run_limit_has_no_end() -> None:
    world = Morning(SHOP.replace('run_limit = "20 min"', "run_limit = 0")).begin()
    world.cut("saw")
    world.pass_by(3)
    assert off_because(world) == "stays on"
    assert world.fan()["until_because"] is None
    assert world.wrong == []


def test_a_run_limit_is_foretold_when_it_comes_near_though_nothing_happens() -> None:
    world = Morning(SHOP.replace('run_limit = "20 min"', 'run_limit = "4 h 10 s"')).begin()
    world.cut("saw")
    world.pass_by(3)
    assert off_because(world) == "stays on"
    world.pass_by(9)
    assert off_because(world) == f"{4 * 3600 - 2} s: run limit of saw"
    assert world.wrong == []


def test_a_fan_that_was_on_when_the_daemon_started_goes_off_when_nothing_asks_for_it() -> None:
    world = Morning(SHOP).begin("1")
    assert world.fan()["because"].startswith("it was on when Gatehand started and stays on until ")
    assert off_because(world).endswith("s: on when Gatehand started, and no tool has started since")
    world.pass_by(40)
    assert world.fan()["state"] in {"coast_down", "off"}
    assert world.wrong == []


def test_a_lost_broker_leaves_no_word_behind_that_is_not_true_any_more() -> None:
    world = Morning(SHOP).begin()
    world.cut("saw")
    world.pass_by(3)
    world.cut("saw", "0")
    world.pass_by(2)
    world.lose()
    world.run(2)
    world.connect(("shop/fan/state", "1"), ("shop/gate/saw/state", "open"))
    world.pass_by(2)
    assert world.fan()["state"] == "run_on"
    assert world.fan()["until"] == world.shown("tool/saw")["run_on_ends"]
    world.pass_by(10)
    assert world.wrong == []


def latest_run_on(patch: Patch) -> None:
    """A status that counts the run-ons alone, whoever they belong to, as it once did."""
    real = rules_forecast.forecast

    def run_ons_alone(shop: Shop, state: State, now: float) -> Ahead:
        found = real(shop, state, now)
        own = zip(shop.tools, state.tools, strict=True)
        ends = [one.since + tool.run_on for tool, one in own if isinstance(one, ToolRunOn)]
        if not ends or not state.collectors[0].on_phase:
            return found
        return replace(found, collectors=(replace(found.collectors[0], off_at=max(ends)),))

    patch.setattr(foresight, "forecast", run_ons_alone)


def no_budget(patch: Patch) -> None:
    """A forecast that takes the fan off with its last demand."""
    patch.setattr(rules_forecast, "_told_on", lambda fan: replace(fan, starts=()))


def every_run_on(patch: Patch) -> None:
    """A run-on is shown of a tool that is not served, too."""

    def as_it_was(subject: Subject, present: Present, facts: dict[str, object]) -> dict[str, object]:
        at = present.shop.tool_at(subject[1]) if subject[0] == "tool" else None
        runs_on = at is not None and isinstance(present.state.tools[at], ToolRunOn)
        return {"run_on_ends": "2027-01-15T08:00:00.000Z"} if runs_on and facts["run_on_ends"] is None else {}

    _shown_otherwise(patch, as_it_was)


def sensors_fall_silent(patch: Patch) -> None:
    """A forecast in which no sensor says anything any more."""
    patch.setattr(rules_forecast, "_heard_on", lambda tool: tool)


def gates_do_not_arrive(patch: Patch) -> None:
    """A forecast in which gates that report never do."""
    patch.setattr("gatehand_rules.forecast._Play._arrivals", lambda _self: iter(()))


def shown_once(patch: Patch) -> None:
    """A future that changes while the state of its tool does not is not shown anew."""
    patch.setattr(state_publisher, "retold", lambda *_: {})


def clock_set_unseen(patch: Patch) -> None:
    """Instants that were shown by a clock that has been set are left so."""
    patch.setattr(state_publisher, "_DRIFT", float("inf"))


def coasting_whatever_comes(patch: Patch) -> None:
    """A coast-down that is shown although a start comes before its end."""

    def as_it_was(subject: Subject, present: Present, _facts: dict[str, object]) -> dict[str, object]:
        at = present.shop.collector_at(subject[1]) if subject[0] == "collector" else None
        if at is None:
            return {}
        seen = present.state.collectors[at]
        coasts = not seen.on_phase and present.at.mono < seen.still_at < float("inf")
        return {"coast_down_until": present.at.of(seen.still_at) if coasts else None}

    _shown_otherwise(patch, as_it_was)


def _shown_otherwise(patch: Patch, more: Callable[[Subject, Present, dict[str, object]], dict[str, object]]) -> None:
    """Statuses with these facts instead of their own."""
    real = status_messages.status_of

    def status_of(
        subject: Subject, present: Present, hold_id: Callable[[str], str | None], **more_of_it: float | None
    ) -> tuple[str, dict[str, object]]:
        word, facts = real(subject, present, hold_id, **more_of_it)
        return word, {**facts, **more(subject, present, facts)}

    patch.setattr(state_publisher, "status_of", status_of)


MUTANTS = (
    *(latest_run_on, no_budget, every_run_on, sensors_fall_silent, gates_do_not_arrive, shown_once),
    *(clock_set_unseen, coasting_whatever_comes),
)


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.__name__)
def test_a_status_that_foretells_something_else_is_found(mutant: Callable[[Patch], None], monkeypatch: Patch) -> None:
    mutant(monkeypatch)
    world = Morning(SHOP)
    assert any(world.wrong for _ in morning(world))
