"""What every browser holds is what is retained, however it came; what is not of now is shown as lost."""

import asyncio
import io
import json
from collections.abc import Callable, Coroutine
from contextlib import redirect_stderr, suppress
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from live_support import BASE, SHOP, Memory, Retaining, made_live
from support.virtual_loop import timed

from gatehand.mqtt.client import ClientError
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.phone import live as live_module
from gatehand.phone.live import GAP, Live
from gatehand.phone.parts import parts_of
from gatehand.phone.server import say
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.listen import Where

WITHIN = 3.0
"""Seconds in which a page must say that it shows the past."""


def run(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    timed(work())


async def stop(*tasks: "asyncio.Task[None]") -> None:
    for task in tasks:
        task.cancel()
    for task in tasks:
        with suppress(asyncio.CancelledError):
            await task


# Drawn

NAMES = {"gate": ("planing", "carving", "bench"), "tool": ("band_saw", "jointer", "router"), "collector": ("main",)}
STATES = {"gate": ("open", "shut"), "tool": ("idle", "running"), "collector": ("off", "running")}
SUBJECTS = [(kind, name) for kind, names in NAMES.items() for name in names] + [("alarm", "gate.bench.fault")]

SAYS = st.tuples(st.just("say"), st.sampled_from(SUBJECTS), st.integers(0, 2))
STEPS = st.one_of(
    SAYS,
    SAYS,
    st.tuples(st.just("wait"), st.sampled_from((0.0, 0.001, 0.015, 0.02, 0.1, 0.4, 1.1))),
    st.tuples(st.just("beat")),
    st.tuples(st.just("lose")),
    st.tuples(st.just("connect")),
    st.tuples(st.just("join"), st.sampled_from((0.0, 0.03, 0.7, 3.0))),
    st.tuples(st.just("begin")),
)


async def _play(steps: list[tuple[Any, ...]]) -> None:
    live = made_live()
    broker = Retaining(live)
    ticking = asyncio.ensure_future(live.keep_ticking())
    memories = [Memory()]
    following = [asyncio.ensure_future(memories[0].follow(live))]
    for number, (what, *facts) in enumerate(steps):
        if what == "say":
            (kind, name), which = facts
            word = (*STATES.get(kind, ("x", "y")), None)[which]
            said = None if word is None else {"state": word, "because": f"number {number}"}
            broker.say(f"{kind}/{name}", said)
        elif what == "wait":
            await asyncio.sleep(facts[0])
        elif what == "join":
            memories.append(Memory())
            following.append(asyncio.ensure_future(memories[-1].follow(live, facts[0])))
        elif what == "connect" and not broker.is_connected:
            broker.connect()
        elif what == "lose" and broker.is_connected:
            broker.lose()
        elif what in {"beat", "begin"}:
            getattr(broker, what)()
    if not broker.is_connected:
        broker.connect()
    broker.begin()
    for _ in range(9):  # as long as the slowest takes
        broker.beat()
        await asyncio.sleep(1)
    truth = DaemonStatus(BASE)
    truth.connected()
    for topic, payload in broker.retained.items():
        truth.hear(Message(topic, payload, retained=True, received=0.0), 0.0)
    truth.hear(Message(f"{BASE}/daemon/beat", b"1", retained=False, received=asyncio.get_running_loop().time()), 0.0)
    wanted = json.loads(json.dumps(parts_of(truth, SHOP, 0.0, asyncio.get_running_loop().time())))
    for memory in memories:
        assert memory.reached == "well"
        assert {key: part for key, part in memory.parts.items() if key not in {"events", "shop"}} == {
            key: part for key, part in wanted.items() if key not in {"events", "shop"}
        }
        assert memory.parts["shop"]["order"] == wanted["shop"]["order"]
        assert memory.parts["events"] == memories[0].parts["events"]
    await stop(ticking, *following)


@given(st.lists(STEPS, max_size=60))
def test_in_the_end_every_browser_holds_what_is_retained_and_never_goes_back(steps: list[tuple[Any, ...]]) -> None:
    timed(_play(steps))


# When it is handed out


def test_a_first_change_is_handed_out_at_once() -> None:
    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        broker.connect()
        await broker.settle()
        before = live.version
        broker.say("gate/planing", {"state": "open"})
        assert live.version == before + 1

    run(work)


def test_under_a_flood_the_parts_are_made_every_20_ms_and_the_last_word_is_shown(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = list[float]()

    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        broker.connect()
        await broker.settle()
        loop = asyncio.get_running_loop()

        def counted(*about: Any) -> Any:  # noqa: ANN401
            made.append(loop.time())
            return parts_of(*about)

        monkeypatch.setattr(live_module, "parts_of", counted)
        for number in range(1000):
            broker.say("collector/main", {"state": "running", "because": f"number {number}"})
            await asyncio.sleep(0.001)
        await asyncio.sleep(GAP)
        assert "number 999" in live.since(0).lower()

    run(work)
    assert len(made) >= 45
    assert min(after - before for before, after in pairwise(made)) >= GAP - 1e-9


def test_the_beat_alone_makes_nothing_anew() -> None:
    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        broker.connect()
        await broker.settle()
        broker.beat()
        await asyncio.sleep(1)
        before = live.version
        for _ in range(10):
            broker.beat()
            await asyncio.sleep(1)
        assert live.version == before

    run(work)


def test_the_clock_of_the_shop_is_that_of_the_moment_at_which_it_is_handed_out() -> None:
    """A browser that comes when nothing has changed for an hour counts down from a right clock too."""

    async def work() -> None:
        live = made_live()
        await asyncio.sleep(3600)
        memory = Memory()
        memory.take(live.since(0))
        assert memory.parts["shop"]["now"] == 1_700_003_600

    run(work)


def test_of_many_names_that_came_and_went_a_browser_is_told_by_all_that_is_there() -> None:
    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        broker.connect()
        await broker.settle()
        memory = Memory()
        broker.say("collector/early", {"state": "off"})
        memory.take(live.since(0))
        assert "collector:early" in memory.parts
        for number in [*range(300)]:
            broker.say(f"collector/x{number}", {"state": "off"})
            await asyncio.sleep(GAP)
            broker.say(f"collector/x{number}", None)
            await asyncio.sleep(GAP)
        broker.say("collector/early", None)
        await asyncio.sleep(1)
        memory.take(live.since(memory.version))
        assert memory.events[-1]["all"] is True
        assert not [key for key in memory.parts if key.startswith("collector:")]
        assert len(live.since(0)) < 5_000

    run(work)


# What is not of now


def test_a_connection_that_comes_back_shows_no_part_as_gone_meanwhile() -> None:
    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        for kind, name in SUBJECTS[:-1]:
            broker.say(f"{kind}/{name}", {"state": STATES[kind][0]})
        broker.say("alarm/gate.bench.fault", {"because": "it jams"})
        broker.connect()
        await broker.settle()
        memory = Memory()
        following = asyncio.ensure_future(memory.follow(live))
        await asyncio.sleep(0.1)
        shown = set(memory.parts)
        for _ in range(3):
            broker.lose()
            await asyncio.sleep(0.1)
            assert memory.reached == "lost"
            assert set(memory.parts) == shown
            live.connected()  # and lost before anything has come
            await asyncio.sleep(0.1)
            broker.lose()
            await asyncio.sleep(2)
            assert set(memory.parts) == shown
            assert len(memory.parts["alarms"]["list"]) == 1
            broker.connect()
            await broker.settle()
            assert memory.reached == "well"
        assert not [event for event in memory.events if None in event["parts"].values()]
        await stop(following)

    run(work)


@pytest.mark.parametrize("phase", [0.0, 0.1, 0.24, 0.26, 0.5, 0.99])
def test_a_frozen_daemon_or_broker_is_shown_as_lost_within_three_seconds_and_comes_back(phase: float) -> None:
    """Of both comes no beat; the daemon's will comes much later."""

    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        broker.connect()
        ticking = asyncio.ensure_future(live.keep_ticking())
        await asyncio.sleep(phase)
        for _ in range(5):
            broker.beat()
            await asyncio.sleep(1)
            assert '"reached":{"state":"well"' in live.since(0)
        broker.beat()
        await asyncio.sleep(WITHIN)
        assert '"reached":{"state":"lost"' in live.since(0)
        broker.beat()
        assert '"reached":{"state":"well"' in live.since(0)
        await stop(ticking)

    run(work)


def test_a_daemon_that_was_frozen_before_the_page_came_is_shown_as_lost() -> None:
    """That it is online is retained; no beat comes."""

    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        ticking = asyncio.ensure_future(live.keep_ticking())
        broker.connect()
        await asyncio.sleep(WITHIN)
        assert '"reached":{"state":"lost"' in live.since(0)
        await stop(ticking)

    run(work)


def test_a_daemon_that_is_gone_is_shown_as_lost_at_once() -> None:
    async def work() -> None:
        live = made_live()
        broker = Retaining(live)
        broker.begin()
        broker.connect()
        await broker.settle()
        broker.beat()
        broker.send("online", b"0")
        assert '"reached":{"state":"lost"' in live.since(0)
        broker.begin()
        await asyncio.sleep(GAP)
        assert '"reached":{"state":"well"' in live.since(0)

    run(work)


def test_the_journal_knows_why_the_broker_is_not_reached_once_and_when_it_is() -> None:
    said = list[tuple[str, str]]()

    async def work() -> None:
        live = made_live(say=lambda level, text: said.append((level, text)))
        for why in ("it does not answer", "it does not answer", "the login is refused"):
            live.lost(ClientError(why))
        live.connected()
        live.connected()
        live.lost(ClientError("the login is refused"))

    run(work)
    assert said == [
        ("warning", "it does not answer. This page keeps trying"),
        ("warning", "the login is refused. This page keeps trying"),
        ("info", "connected to the broker"),
        ("warning", "the login is refused. This page keeps trying"),
    ]


def test_lost_is_shown_though_nobody_can_be_told_of_it() -> None:
    def nobody(_level: str, _text: str) -> None:
        raise BrokenPipeError

    async def work() -> None:
        live = made_live(say=nobody)
        live.connected()
        live.hear(Message(f"{BASE}/online", b"1", True, asyncio.get_running_loop().time()))
        await asyncio.sleep(1)
        assert '"reached":{"state":"well"' in live.since(0)
        with suppress(BrokenPipeError):
            live.lost(ClientError("it does not answer"))
        assert '"reached":{"state":"lost"' in live.since(0)

    run(work)


def test_a_line_for_a_reader_who_has_gone_harms_nothing() -> None:
    class Gone(io.StringIO):
        tried = 0

        def write(self, _text: str) -> int:
            self.tried += 1
            raise BrokenPipeError

    with redirect_stderr(Gone()) as gone:
        say("warning", "the broker does not answer")
    assert gone.tried == 1


def test_a_fault_in_wording_is_said_once_shown_as_lost_and_over_when_it_is_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    said = list[tuple[str, str]]()

    async def work() -> None:
        live = made_live(say=lambda level, text: said.append((level, text)))
        broker = Retaining(live)
        broker.begin()
        broker.say("gate/planing", {"state": "open"})
        broker.connect()
        await broker.settle()
        memory = Memory()
        memory.take(live.since(0))
        ticking = asyncio.ensure_future(live.keep_ticking())

        def wrong(*_: object) -> None:
            raise ZeroDivisionError("planted")

        with monkeypatch.context() as patch:
            patch.setattr(live_module, "parts_of", wrong)
            for _ in range(5):
                broker.say("gate/planing", {"state": "shut"})
                broker.beat()
                await asyncio.sleep(1)
            memory.take(live.since(memory.version))
            assert memory.reached == "lost"
            assert "fault" in memory.parts["reached"]["text"]
            assert memory.parts["station:planing"]["state"] == "open"
            ((level, text),) = said
            assert level == "error"
            assert "planted" in text
        broker.beat()
        await asyncio.sleep(1.3)
        memory.take(live.since(memory.version))
        assert memory.reached == "well"
        assert memory.parts["station:planing"]["state"] == "shut"
        await stop(ticking)

    run(work)


def test_a_fault_in_hearing_is_shown_as_lost_until_all_has_been_heard_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    said, attempts = list[str](), list[float]()

    async def hear(_settings: object, _topics: object, ears: Live) -> None:
        attempts.append(asyncio.get_running_loop().time())
        broker = Retaining(ears)
        broker.begin()
        broker.say("gate/planing", {"state": "open"})
        broker.connect()
        for _ in range(4):
            broker.beat()
            await asyncio.sleep(1)
        if len(attempts) < 3:
            broker.say("gate/planing", {"state": "shut"})
            raise ZeroDivisionError("planted")
        while True:
            broker.beat()
            await asyncio.sleep(1)

    monkeypatch.setattr(live_module, "keep_hearing", hear)

    async def work() -> None:
        live = made_live(say=lambda _level, text: said.append(text))
        keeping = asyncio.ensure_future(live.keep(Where(BrokerSettings("127.0.0.1", 1, client_id="x"), BASE)))
        memory = Memory()
        following = asyncio.ensure_future(memory.follow(live))
        await asyncio.sleep(3.5)
        assert memory.reached == "well"
        await asyncio.sleep(2)
        assert memory.reached == "lost"
        assert "station:planing" in memory.parts
        await asyncio.sleep(30)
        assert memory.reached == "well"
        assert len(attempts) == 3
        assert len(said) == 1
        await stop(following, keeping)

    run(work)
