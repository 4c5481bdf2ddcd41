"""The demo's broker under what a busy shop does to it: nothing is lost, and nobody hears what is not theirs."""

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from gatehand.mqtt.client import PlainClient, plain_client
from gatehand.mqtt.embedded import embedded_broker
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings

pytest.importorskip("amqtt", reason="the extra `demo` is not installed")


def settings(port: int, name: str) -> BrokerSettings:
    return BrokerSettings("127.0.0.1", port, client_id=name, protocol="3.1.1")


@asynccontextmanager
async def listener(port: int, name: str, *topics: str) -> AsyncIterator[list[Message]]:
    heard: list[Message] = []

    async def listen(client: PlainClient) -> None:
        async for message in client.messages():
            heard.append(message)  # noqa: PERF401 - what came counts when it is cancelled

    async with plain_client(settings(port, name), topics) as client:
        listening = asyncio.create_task(listen(client))
        yield heard
        listening.cancel()


async def until_heard(heard: list[Message], count: int, within: float = 60.0) -> None:
    end = time.monotonic() + within
    while len(heard) < count and time.monotonic() < end:  # noqa: ASYNC110 - no event comes when none is lost
        await asyncio.sleep(0.02)


async def test_a_client_that_publishes_and_leaves_at_once_has_published() -> None:
    async with embedded_broker() as port, listener(port, "ear", "say/+") as heard:
        for number in range(30):
            async with plain_client(settings(port, f"mouth-{number}")) as client:
                for part in "abc":
                    await client.publish(f"say/{part}", str(number).encode(), qos=1)
        await until_heard(heard, 90)
    assert len(heard) == 90


async def test_messages_reach_everybody_while_subscriptions_come_and_go() -> None:
    async def come_and_go(port: int, number: int) -> None:
        for turn in range(15):
            async with plain_client(settings(port, f"guest-{number}-{turn}"), [f"other/{number}/{turn}", "say"]):
                await asyncio.sleep(0.005)

    async with embedded_broker() as port, listener(port, "first", "say") as one, listener(port, "last", "+") as other:
        guests = [asyncio.create_task(come_and_go(port, number)) for number in range(3)]
        async with plain_client(settings(port, "mouth")) as client:
            for number in range(150):
                await client.publish("say", str(number).encode(), qos=1)
        await asyncio.gather(*guests)
        await until_heard(one, 150)
        await until_heard(other, 150)
    wanted = [str(number).encode() for number in range(150)]
    assert [message.payload for message in one] == wanted
    assert [message.payload for message in other] == wanted


async def test_what_is_retained_goes_once_to_those_who_subscribed_to_it() -> None:
    async with embedded_broker() as port, listener(port, "somebody", "a/#", "b/#"):
        async with plain_client(settings(port, "mouth")) as client:
            for topic in ("a/1", "a/2", "b/1"):
                await client.publish(topic, b"1", retain=True, qos=1)
        async with listener(port, "newcomer", "a/+") as heard:
            await asyncio.sleep(0.3)
    assert sorted(message.topic for message in heard if message.retained) == ["a/1", "a/2"]
