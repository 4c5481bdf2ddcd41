"""One look of `gatehand status` at what the broker retains: in virtual time; brokers keep silent, or chatter."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

import pytest
from support.virtual_loop import timed

from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.screen import listen
from gatehand.screen.daemon_status import DaemonStatus


class Broker:
    """Connects after `answers_after` seconds, then says each of `words`, so many seconds after the one before."""

    def __init__(self, answers_after: float, words: Sequence[tuple[float, Message]]) -> None:
        self.answers_after = answers_after
        self.words = words

    @asynccontextmanager
    async def plain_client(self, _settings: BrokerSettings, _topics: Sequence[str]) -> AsyncIterator["Broker"]:
        await asyncio.sleep(self.answers_after)
        yield self

    async def messages(self) -> AsyncIterator[Message]:
        for after, heard in self.words:
            await asyncio.sleep(after)
            yield heard
        await asyncio.sleep(1000)


def heard(topic: str, *, retained: bool) -> Message:
    return Message(f"gatehand/{topic}", b"1" if topic == "online" else b'{"state": "idle"}', retained, 0.0)


def look(broker: Broker, monkeypatch: pytest.MonkeyPatch, within: float = 5.0) -> tuple[DaemonStatus, float]:
    """The status, and how long it took."""
    monkeypatch.setattr(listen, "plain_client", broker.plain_client)
    status = DaemonStatus("gatehand")
    where = listen.Where(BrokerSettings("127.0.0.1", 1883, client_id="status"), "gatehand")
    _, took = timed(listen.look(where, status, within))
    return status, took


def test_a_broker_that_does_not_answer_costs_the_time_that_was_given(monkeypatch: pytest.MonkeyPatch) -> None:
    status, took = look(Broker(100.0, ()), monkeypatch, within=1.0)
    assert took == pytest.approx(1.0)
    assert status.lost_because == "no answer within 1 s"


def test_a_base_where_nobody_speaks_costs_the_time_that_was_given(monkeypatch: pytest.MonkeyPatch) -> None:
    status, took = look(Broker(0.1, ()), monkeypatch, within=1.0)
    assert took == pytest.approx(1.0)
    assert (status.lost_because, status.online) == (None, None)


def test_it_ends_soon_after_the_last_retained_message(monkeypatch: pytest.MonkeyPatch) -> None:
    retained = [(0.3, heard(topic, retained=True)) for topic in ("online", "tool/saw", "tool/jointer")]
    status, took = look(Broker(0.1, retained), monkeypatch)
    assert took == pytest.approx(0.1 + 3 * 0.3 + 0.4)
    assert status.online is True
    assert list(status.tools) == ["saw", "jointer"]


def test_what_is_said_live_meanwhile_does_not_keep_it(monkeypatch: pytest.MonkeyPatch) -> None:
    chatter = [(0.1, heard("tool/saw", retained=False))] * 200
    status, took = look(Broker(0.1, [(0.1, heard("online", retained=True)), *chatter]), monkeypatch)
    assert took < 1.0
    assert list(status.tools) == ["saw"]
    status, took = look(Broker(0.1, chatter), monkeypatch)
    assert took == pytest.approx(5.0)
