"""A standstill of the loop is noticed once, whoever looks first; a session that stood has caught up by its own echo."""

import asyncio

import pytest
from support.mosquitto import Mosquitto
from support.recorder import Observer, Recorder, running, until

from gatehand.mqtt.failures import Patience
from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.stalled_loop import LONGEST, CatchUp, Pulse
from gatehand.mqtt.transport import Subscription


class Hand:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(("gap", "noticed"), [(0.25, []), (LONGEST, []), (1.001, [1.001]), (4.2, [4.2])])
def test_only_more_than_a_second_without_a_look_is_a_standstill(gap: float, noticed: list[float]) -> None:
    clock = Hand()
    pulse, found = Pulse(clock), list[float]()
    pulse.listen(found.append)
    clock.now += gap
    pulse.look()
    pulse.look()
    assert found == pytest.approx(noticed)


def test_whoever_no_longer_listens_is_not_told() -> None:
    clock = Hand()
    pulse, found = Pulse(clock), list[float]()
    pulse.listen(found.append)
    pulse.unlisten(found.append)
    pulse.unlisten(found.append)
    clock.now += 5
    pulse.look()
    assert found == []


def test_the_loop_looks_by_itself() -> None:
    clock = Hand()

    async def stand() -> list[float]:
        pulse, found = Pulse(clock), list[float]()
        pulse.listen(found.append)
        pulse.start()
        clock.now += 3
        await until(lambda: found)
        pulse.stop()
        return found

    assert asyncio.run(stand()) == [3.0]


def test_an_echo_of_a_word_from_before_the_standstill_ends_nothing() -> None:
    found = CatchUp()
    found.said()  # under way when it froze
    found.said()
    found.stood(4.0)
    assert found.heard()
    assert not found.is_over
    assert found.heard()
    assert found.is_over
    found.end()
    assert found.stood_for is None
    assert not found.is_over


def test_a_word_that_the_broker_dropped_is_made_up_for_by_the_next() -> None:
    found = CatchUp()
    found.said()
    found.said()
    found.stood(4.0)
    assert found.heard()
    found.said()
    assert found.heard()
    assert found.is_over


def test_a_word_that_nobody_here_has_said_is_somebody_elses() -> None:
    found = CatchUp()
    found.said()
    assert found.heard()
    assert not found.heard()


def test_what_waited_comes_between_the_standstill_and_the_answer() -> None:
    """More than a window of acknowledged messages waits, so that a mere ping would be answered before the last."""
    with Mosquitto() as broker, Observer(broker.port, "shop/none") as world:

        async def story() -> list[str]:
            clock, ear = Hand(), Recorder()
            pulse = Pulse(clock)
            session = Session(
                BrokerSettings("127.0.0.1", broker.port, "gatehand-test"),
                "gatehand",
                ear,
                (Subscription("shop/#"),),
                patience=Patience(),
                pulse=pulse,
            )
            async with running(session):
                await until(lambda: "settled" in ear.story)
                ear.story.clear()
                for n in range(60):  # the loop does not turn meanwhile: it is frozen
                    world.publish(f"shop/{n}", b"1", qos=1)
                clock.now += 4
                await until(lambda: "caught up" in ear.story)
                world.publish("shop/new", b"1", qos=1)
                await until(lambda: "shop/new" in ear.story)
            return ear.story

        told = asyncio.run(story())
        assert told[0] == "stood"
        assert told[-3:] != []
        assert told[1 : told.index("caught up")] == [f"shop/{n}" for n in range(60)]
        assert told[told.index("caught up") :][:2] == ["caught up", "shop/new"]


def test_a_connection_that_ends_before_the_answer_has_caught_up_before_it_is_lost() -> None:
    with Mosquitto() as broker:

        async def story() -> list[str]:
            clock, ear = Hand(), Recorder()
            pulse = Pulse(clock)
            session = Session(BrokerSettings("127.0.0.1", broker.port, "gatehand-test"), "gatehand", ear, pulse=pulse)
            async with running(session):
                await until(lambda: "settled" in ear.story)
                ear.story.clear()
                broker.sigstop()
                clock.now += 4
                pulse.look()
                broker.kill9()
                await until(lambda: "lost" in ear.story)
            return ear.story[:3]

        assert asyncio.run(story()) == ["stood", "caught up", "lost"]
