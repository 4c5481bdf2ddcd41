"""`gatehand exercise --suction`, a real engine and simulated devices in virtual time: what it takes and refuses."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shell_support import SHOP, World

from gatehand.cli import main
from gatehand.exercise.suction_walk import SuctionResult, as_json, sets_of, take, text
from gatehand.exercise.supervisor import BrokenOffError, RefusedError
from gatehand.exercise.terminal_io import TerminalEvent, TerminalIo
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.transport import Outgoing
from gatehand.person import EndOfInput
from gatehand.shell.baselines import baselines_of
from gatehand.simshop.device import Sent
from gatehand.simshop.sim_shop import SimShop

DUCTS = """
[fan.main]
curve = [[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]
filter_loss = { clean = 1.0, dirty = 3.0, at = 800 }

[duct.main]
diameter = 6
length = 14

[duct.band_saw_drop]
into = "main"
diameter = 4
length = 8
gate = "band_saw"
hood = { entry = "plain" }

[duct.bench_drop]
into = "main"
diameter = 4
length = 6
gate = "bench"
hood = { entry = "plain" }
"""
WATCHED = SHOP.replace("spin_up = 1\n", 'spin_up = 1\nsuction = { topic = "shop/fan/inlet", unit = "Pa" }\n') + DUCTS
TICK = 0.1
BASE = "gatehand/"


class Shop(TerminalIo):
    """The daemon's engine, its devices, and the exercise's terminal, in one virtual time."""

    def __init__(self, text: str = WATCHED, *, answers: tuple[str, ...] = ()) -> None:
        self.world = World(text)
        self.config = self.world.engine.active.config
        self.devices = SimShop(self.config, now=self.world.clocks.now, seed=5)
        self.said: list[str] = []
        self.offline = False
        self.plans: list[tuple[float, Callable[[], None]]] = []
        self._answers = list(answers)
        self._published = 0
        self._shown: dict[str, str] = {}
        self._waiting: list[TerminalEvent] = []
        self._next_beat = 0.0
        retained = tuple((one.topic, one.payload.decode()) for one in self.devices.begin(self.world.clocks.now))
        self.world.connect(*retained)
        self.pass_time(5.0)

    def pass_time(self, seconds: float) -> None:
        until = self.now() + seconds
        while self.now() < until:
            self._tick()

    def after(self, seconds: float, does: Callable[[], None]) -> None:
        self.plans.append((self.now() + seconds, does))

    def go(self, *more: tuple[str, ...], yes: bool = True, collector: str = "main") -> SuctionResult:
        self._hear_retained()
        sets = sets_of(self.config, collector, more)
        return asyncio.run(take(self.config, self, collector, sets, yes=yes))

    def baselines(self) -> dict[tuple[str, ...], float]:
        return {one.gates: one.pascals for one in baselines_of(self.world.engine.notebook.baselines).values()}

    # The exercise's side

    def now(self) -> float:
        return self.world.clocks.now

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, text: str) -> None:
        self.said.append(text)
        self._waiting.append(self._answers.pop(0) if self._answers else EndOfInput.NOBODY_THERE)

    async def send(self, outgoing: Outgoing) -> str | None:
        if not self.offline:
            self.world.engine.on_message(outgoing.topic, outgoing.payload, False, self.now())
        return None

    async def next(self, until: float) -> TerminalEvent | None:
        while not self._waiting:
            if self.now() >= until:
                return None
            assert self.now() < 5000, self.said[-3:]
            self._tick()
        return self._waiting.pop(0)

    def _tick(self) -> None:
        self.world.run(TICK)
        now = self.now()
        for plan in [each for each in self.plans if each[0] <= now]:
            self.plans.remove(plan)
            plan[1]()
        if now >= self._next_beat:
            self._next_beat = now + 1
            self.world.engine.beat()
        self._deliver()
        for sent in self.devices.advance(now):
            self._from_device(sent)
        self._deliver()

    def _from_device(self, sent: Sent) -> None:
        self.world.engine.on_message(sent.topic, sent.payload, False, self.now())
        self._waiting.append(Message(sent.topic, sent.payload, False, self.now()))

    def _deliver(self) -> None:
        """What the engine has published since: to the devices, or to the exercise."""
        sent, self._published = self.world.transport.sent[self._published :], len(self.world.transport.sent)
        for one in sent:
            if one.topic.startswith(BASE):
                self._waiting.append(Message(one.topic, one.text.encode(), False, self.now()))
            else:
                self.devices.deliver(one.topic, one.text.encode(), self.now())

    def _hear_retained(self) -> None:
        self._waiting = [Message(f"{BASE}online", b"1", True, self.now())] if not self.offline else []
        kept = self.world.transport.retained.items() if not self.offline else ()
        self._waiting += [Message(topic, body.encode(), True, self.now()) for topic, body in kept if body]


def turns(shop: Shop) -> bool:
    return shop.devices.collectors["main"].turns


def test_each_gate_alone_and_the_sets_asked_for_are_taken_with_one_start_of_the_fan() -> None:
    shop = Shop()
    result = shop.go(("bench", "band_saw"))
    assert result.ok, text(result)
    assert [one.gates for one in result.taken] == [("band_saw",), ("bench",), ("band_saw", "bench")]
    airway = shop.devices.collectors["main"].airway
    assert airway is not None
    kept = shop.baselines()
    assert set(kept) == {("band_saw",), ("bench",), ("band_saw", "bench")}
    assert kept["band_saw", "bench"] < kept["bench",] < kept["band_saw",]
    assert len(shop.world.engine.state.collectors[0].starts) == 1
    shop.pass_time(60)
    assert not turns(shop)


def test_what_was_taken_is_shown_beside_what_the_ducts_should_give() -> None:
    shop = Shop()
    shown = " ".join(text(shop.go()).split())
    assert "With band saw open the suction is 2," in shown
    assert "by its ducts 1," in shown
    (line, *_) = shop.world.events("suction_baseline_taken")
    assert line["gates"] == "band_saw"


def test_what_was_taken_counts_from_then_on() -> None:
    shop = Shop()
    assert shop.go().ok
    shop.pass_time(60)
    shop.devices.tools["band_saw"].switch(on=True, at=shop.now())
    shop.pass_time(30)
    assert shop.world.shown("collector/main")["suction"]["expected_by"] == "baseline"
    airway = shop.devices.collectors["main"].airway
    assert airway is not None
    airway.main_off = True
    shop.pass_time(30)
    assert "by the baseline of" in shop.world.shown("alarm/collector.main.suction_low")["because"]


def test_it_refuses_without_a_daemon() -> None:
    shop = Shop()
    shop.offline = True
    with pytest.raises(RefusedError, match="no daemon is running"):
        shop.go()
    assert not shop.baselines()


def test_it_refuses_while_the_collector_runs_or_is_on_hold() -> None:
    shop = Shop()
    shop.devices.tools["band_saw"].switch(on=True, at=shop.now())
    shop.pass_time(10)
    with pytest.raises(RefusedError, match="is running the collector main"):
        shop.go()
    shop.world.say("gatehand/collector/main/hold", "filter")
    shop.pass_time(20)
    with pytest.raises(RefusedError, match="on hold"):
        shop.go()


def test_it_asks_first_and_no_moves_nothing() -> None:
    shop = Shop(answers=("no",))
    before = len(shop.world.commands())
    with pytest.raises(BrokenOffError):
        shop.go(yes=False)
    assert len(shop.world.commands()) == before
    assert any("not a lockout" in each for each in shop.said)
    assert Shop(answers=("yes",)).go(yes=False).ok


def test_a_tool_that_is_started_meanwhile_stops_it_and_the_hand_starts_end() -> None:
    shop = Shop()
    shop.after(12, lambda: shop.devices.tools["router"].switch(on=True, at=shop.now()))
    result = shop.go()
    assert "router was started" in str(result.stopped)
    shop.pass_time(2)
    assert not shop.world.shown("gate/band_saw")["hand"]
    assert not result.ok
    assert "fan goes off" not in text(result), "it runs on for the router"


def test_without_a_daemon_nothing_is_said_to_be_ended() -> None:
    shop = Shop()
    gone = Message(f"{BASE}online", b"0", False, 0.0)
    shop.after(10, lambda: shop._waiting.append(gone))  # noqa: SLF001 - the test's own world
    result = shop.go()
    assert result.stopped == "the daemon has gone away"
    shown = text(result)
    assert "The fan may still run: nobody could end the hand start of band saw." in " ".join(shown.split())
    assert "goes off" not in shown
    assert as_json(result)["left_on"] == ["band_saw"]


def test_quit_ends_the_hand_starts() -> None:
    shop = Shop()
    shop.after(10, lambda: shop._waiting.append("quit"))  # noqa: SLF001 - the test's own world
    result = shop.go()
    assert result.broken_off
    shop.pass_time(60)
    assert not turns(shop)
    assert not shop.baselines()


def test_what_does_not_settle_or_is_not_opened_is_not_taken_and_said() -> None:
    shop = Shop(WATCHED.replace("spin_up = 1\n", "spin_up = 1\nmax_open = 1\n"))
    result = shop.go(("band_saw", "bench"))
    assert [one.gates for one in result.taken] == [("band_saw",), ("bench",)]
    assert "max_open = 1" in text(result)
    assert not as_json(result)["ok"]


def test_a_sensor_that_says_nothing_leaves_nothing_to_take() -> None:
    shop = Shop()
    fan = shop.devices.collectors["main"]
    fan.airway = None  # it has fallen silent
    result = shop.go()
    assert not result.taken
    assert "NOT TAKEN" in text(result)


@pytest.mark.parametrize(
    ("args", "wanted"),
    [
        (["--open", "band_saw"], "--open goes with --suction"),
        (["--suction", "main", "--open", "lathe"], "has no gate"),
        (["--suction", "mian"], "there is no collector"),
        (["--suction", "main", "--limit", "main"], "leave out the names and --limit"),
    ],
)
def test_wrong_usage_says_what_is_wrong(
    args: list[str], wanted: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    path.write_text(WATCHED)
    assert main(["--config", str(path), "exercise", *args]) in {1, 2}
    assert wanted in capsys.readouterr().err


def test_without_a_sensor_it_says_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "config.toml"
    path.write_text(SHOP)
    assert main(["--config", str(path), "exercise", "--suction"]) == 2
    assert "no suction in a [collector.NAME]" in capsys.readouterr().err


def test_the_result_is_json_too() -> None:
    found = json.loads(json.dumps(as_json(Shop().go())))
    assert found["ok"]
    assert [one["gates"] for one in found["taken"]] == [["band_saw"], ["bench"]]
