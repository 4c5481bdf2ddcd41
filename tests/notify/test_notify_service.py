"""The loop: what is heard is told by the program, under virtual time; the program and the broker are the test's own."""

import asyncio
import json
from collections.abc import Callable, Sequence
from datetime import datetime, time
from pathlib import Path
from typing import Any, NoReturn

import pytest
from notify_support import GATE, SAW, payload
from support.virtual_loop import timed

from gatehand.mqtt.client import ClientError
from gatehand.mqtt.hearing import Ears
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.notify import service, telling
from gatehand.notify.entry import LOST
from gatehand.notify.heard import Graces
from gatehand.notify.memory import MemoryFile
from gatehand.notify.runner import Outcome
from gatehand.notify.service import Asked, Service
from gatehand.screen.listen import Where

WHERE = Where(BrokerSettings("127.0.0.1", 1883, client_id="x"), "gatehand")
CLAIM = b'{"id": "a", "host": "shop", "started": "2026-03-02T08:00:00.000Z"}'
NOON = datetime(2026, 3, 2, 12).timestamp()  # noqa: DTZ001 - noon by the clock of this machine, wherever it is


class World:
    """A broker and a program, and what they have seen."""

    def __init__(self, folder: Path | None = None, *, takes: float = 1.0, **asked: Any) -> None:  # noqa: ANN401
        self.runs: list[tuple[float, list[str], list[Any]]] = []
        self.said: list[str] = []
        self.outcomes: list[Outcome] = []
        """Of the next runs; then all go well."""
        self.takes = takes
        self.offset = 0.0
        self.memory = MemoryFile(folder)
        self.asked = Asked(("/program", "--own"), **asked)
        self.ears: Ears

    def made(self) -> Service:
        wall = lambda: NOON + self.offset + asyncio.get_running_loop().time()  # noqa: E731
        return Service(WHERE, self.asked, self.memory, self.said.append, run=self.run, hear=self.listen, wall=wall)

    async def run(self, command: Sequence[str], given: bytes, limit: float) -> Outcome:
        self.runs.append((asyncio.get_running_loop().time(), list(command), json.loads(given)))
        await asyncio.sleep(min(self.takes, limit))
        return self.outcomes.pop(0) if self.outcomes else Outcome()

    async def listen(self, _settings: BrokerSettings, topics: Sequence[str], ears: Ears) -> NoReturn:
        assert topics == ("gatehand/alarm/+", "gatehand/online", "gatehand/daemon")
        self.ears = ears
        await asyncio.Event().wait()
        raise AssertionError("for ever")

    def hear(self, topic: str, body: bytes, *, retained: bool = False) -> None:
        self.ears.hear(Message(f"gatehand/{topic}", body, retained, 0.0))

    def connect(self) -> None:
        self.ears.connected()
        self.hear("online", b"1", retained=True)
        self.hear("daemon", CLAIM, retained=True)

    def plays(self, *scenes: tuple[float, Callable[[], None]], until: float) -> "World":
        """Do these at those seconds; stop then."""

        async def whole() -> None:
            found = self.made()
            task = asyncio.ensure_future(found.run())
            for at, does in scenes:
                await asyncio.sleep(at - asyncio.get_running_loop().time())
                does()
            await asyncio.sleep(until - asyncio.get_running_loop().time())
            found.stop()
            await task

        timed(whole())
        return self

    @property
    def told(self) -> list[tuple[float, list[tuple[str, str]]]]:
        return [(at, [(each["id"], each["state"]) for each in given]) for at, _, given in self.runs]

    def gate(self) -> None:
        self.hear(f"alarm/{GATE}", payload())

    def saw(self) -> None:
        self.hear(f"alarm/{SAW}", payload(SAW))

    def gate_over(self) -> None:
        self.hear(f"alarm/{GATE}", b"")


def test_the_first_is_told_after_its_grace_and_what_follows_a_minute_later() -> None:
    world = World(ends=True)
    world.plays((1, world.connect), (2, world.gate), (20, world.saw), (30, world.gate_over), until=200)
    assert world.told == [(8, [(GATE, "raised")]), (68, [(SAW, "raised"), (GATE, "over")])]
    assert world.runs[0][1] == ["/program", "--own", GATE]
    assert world.runs[1][1] == ["/program", "--own", SAW, GATE]


def test_what_failed_is_said_and_told_again() -> None:
    world = World()
    world.outcomes = [Outcome("it ended with exit code 1", "no route")]
    world.plays((1, world.connect), (2, world.gate), until=200)
    assert world.told == [(8, [(GATE, "raised")]), (68, [(GATE, "raised")])]
    assert any("exit code 1; it said: no route; it will be tried again" in each for each in world.said)


def test_a_run_that_takes_long_is_the_only_one() -> None:
    world = World(takes=100, limit=120)
    world.plays((1, world.connect), (2, world.gate), (20, world.saw), until=300)
    assert [at for at, _ in world.told] == [8, 108]


def test_a_stop_lets_the_program_end_and_remembers_what_it_told(tmp_path: Path) -> None:
    world = World(tmp_path, takes=20)
    world.plays((1, world.connect), (2, world.gate), until=10)
    again = World(tmp_path)
    again.offset = 100.0
    again.plays((1, again.connect), (1, again.gate), until=300)
    assert world.told == [(8, [(GATE, "raised")])]
    assert again.told == []


def test_a_second_stop_ends_the_program_and_what_it_told_is_told_again(tmp_path: Path) -> None:
    world = World(tmp_path, takes=20)

    async def twice() -> None:
        found = world.made()
        task = asyncio.ensure_future(found.run())
        await asyncio.sleep(1)
        world.connect()
        world.gate()
        await asyncio.sleep(8)
        found.stop()
        await asyncio.sleep(0)
        found.stop()
        await task
        assert asyncio.get_running_loop().time() < 10

    timed(twice())
    again = World(tmp_path)
    again.offset = 100.0
    again.plays((1, again.connect), (1, again.gate), until=30)
    assert [each for _, each in again.told] == [[(GATE, "raised")]]


def test_a_restart_within_the_minute_keeps_the_minute(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.plays((1, world.connect), (2, world.gate), (9, world.saw), until=20)
    again = World(tmp_path)
    again.offset = 20.0
    again.plays((1, again.connect), (1, again.gate), (1, again.saw), until=100)
    assert again.told == [(48, [(SAW, "raised")])]


def test_a_broker_that_is_lost_is_told_without_it() -> None:
    world = World(graces=Graces(5, 60))
    lose = lambda: world.ears.lost(ClientError("no route to host"))  # noqa: E731
    world.plays((1, world.connect), (10, lose), (20, lose), until=100)
    assert world.told == [(71, [(LOST, "raised")])]
    assert sum("no route" in each for each in world.said) == 1


def test_a_memory_that_cannot_be_written_is_said_once_and_all_is_told(tmp_path: Path) -> None:
    class Full(MemoryFile):
        def keep(self, _memory: object) -> None:
            raise OSError(28, "No space left on device")

    world = World()
    world.memory = Full(tmp_path)
    world.plays((1, world.connect), (2, world.gate), until=200)
    assert [each for _, each in world.told] == [[(GATE, "raised")]]
    assert sum("No space left" in each for each in world.said) == 1


def test_a_memory_that_cannot_be_read_is_said_and_what_is_active_is_told(tmp_path: Path) -> None:
    (tmp_path / "notify.json").write_text("{")
    world = World(tmp_path)
    world.plays((1, world.connect), (1, world.gate), until=30)
    assert [each for _, each in world.told] == [[(GATE, "raised")]]
    assert any("reported again" in each for each in world.said)


def test_a_flood_of_alarms_is_said_once_a_minute_and_what_there_is_room_for_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(telling, "MOST", 50)
    world = World()

    def flood() -> None:
        for number in range(60):
            id_ = f"gate.g{number}.fault"
            world.hear(f"alarm/{id_}", payload(id_))

    floods = [(float(at), flood) for at in (2, 17, 32, 47, 65)]
    world.plays((1, world.connect), *floods, until=1_000)
    assert sum(len(given) for _, given in world.told) == 50
    assert [each for each in world.said if "too many alarms" in each] == [
        "too many alarms at once: 10 alarms left out",
        "too many alarms at once: 40 alarms left out",
    ]


def test_an_error_of_the_hearing_ends_the_service_with_it() -> None:
    async def breaks(*_: object) -> NoReturn:
        raise ZeroDivisionError

    async def whole() -> None:
        await Service(WHERE, Asked(("/program",)), MemoryFile(None), print, run=World().run, hear=breaks).run()

    with pytest.raises(ZeroDivisionError):
        timed(whole())


def _digested(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    async def counted(_self: Service, begin: float, end: float) -> dict[str, object]:
        return {"problem": None, "span": [begin - NOON, end - NOON]}

    monkeypatch.setattr(Service, "_counted", counted)
    del world


def hours(*, until: int, monkeypatch: pytest.MonkeyPatch, world: World) -> list[tuple[float, list[Any]]]:
    """The digests told, at which hour."""
    _digested(world, monkeypatch)
    monkeypatch.setattr(service, "BEAT", 300.0)
    world.plays((1, world.connect), until=until * 3600)
    return [(round(at / 3600, 1), given) for at, _, given in world.runs]


def test_a_digest_is_told_at_its_hour_each_day_with_the_owners_arguments_alone(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    world = World(tmp_path, digest=time(18))
    found = hours(until=40, monkeypatch=monkeypatch, world=world)
    assert [at for at, _ in found] == [6.0, 30.0]
    assert all(given[0]["kind"] == "digest" for _, given in found)
    assert world.runs[0][1] == ["/program", "--own"]
    again = World(tmp_path, digest=time(18))
    again.offset = 40 * 3600.0
    assert [at for at, _ in hours(until=20, monkeypatch=monkeypatch, world=again)] == [14.0]


def test_a_digest_that_fails_is_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(digest=time(12, 1))
    world.outcomes = [Outcome("it ended with exit code 1")]
    _digested(world, monkeypatch)
    world.plays((1, world.connect), until=1000)
    assert len(world.runs) == 2
    assert any("could not report the day 2026-03-02" in each for each in world.said)
