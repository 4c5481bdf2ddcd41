"""A standstill of the loop is noticed once, whoever looks first; a session that stood has caught up by its own echo."""

import asyncio

import pytest
from support.mosquitto import Mosquitto
from support.recorder import Observer, Recorder, running, until

from gatehand.mqtt.failures import Patience
from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.stalled_loop import LONGEST, Echo, Pulse
from gatehand.mqtt.transport import Subscription


class MovedClock:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(("gap", "noticed"), [(0.25, []), (LONGEST, []), (1.001, [1.001]), (4.2, [4.2])])
def test_only_more_than_a_second_without_a_look_is_a_standstill(gap: float, noticed: list[float]) -> None:
    clock = MovedClock()
    pulse, found = Pulse(clock), list[float]()
    pulse.listen(found.append)
    clock.now += gap
    pulse.look()
    pulse.look()
    assert found == pytest.approx(noticed)


def test_whoever_no_longer_listens_is_not_told() -> None:
    clock = MovedClock()
    pulse, found = Pulse(clock), list[float]()
    pulse.listen(found.append)
    pulse.unlisten(found.append)
    pulse.unlisten(found.append)
    clock.now += 5
    pulse.look()
    assert found == []


def test_the_loop_looks_by_itself() -> None:
    clock = MovedClock()

    async def stand() -> list[float]:
        pulse, found = Pulse(clock), list[float]()
        pulse.listen(found.append)
        pulse.start()
        clock.now += 3
        await until(lambda: found)
        pulse.stop()
        return found

    assert asyncio.run(stand()) == [3.0]


class Speaker:
    """Counts the words of ours that are under way, and what an echo calls."""

    def __init__(self, wait: float = 60.0, waits: int = 5) -> None:
        self.under_way = 0
        self.over = 0
        self.echo = Echo(self._over, self.say, wait, waits)

    def say(self) -> None:
        self.under_way += 1

    def _over(self) -> None:
        self.over += 1


async def test_an_echo_of_a_word_from_before_the_standstill_ends_nothing() -> None:
    found = Speaker()
    found.say()  # under way when it froze
    found.say()
    found.echo.begin(found.under_way)
    found.echo.heard()
    assert found.over == 0
    found.echo.heard()
    assert found.over == 1
    found.echo.heard()  # one that nobody waits for
    assert found.over == 1


async def test_a_word_that_the_broker_dropped_is_made_up_for_by_the_next() -> None:
    found = Speaker(wait=0.01, waits=1000)
    found.say()
    found.say()
    found.echo.begin(found.under_way)
    found.echo.heard()
    await until(lambda: found.under_way > 2)
    found.echo.heard()
    assert found.over == 1


async def test_a_broker_that_gives_us_no_word_back_is_asked_a_few_times_and_then_it_is_over() -> None:
    found = Speaker(wait=0.01, waits=3)
    found.echo.begin(1)
    await until(lambda: found.over)
    assert (found.under_way, found.over) == (2, 1)


async def test_what_has_not_begun_or_was_cancelled_is_never_over() -> None:
    found = Speaker()
    found.echo.end()
    found.echo.begin(1)
    found.echo.cancel()
    found.echo.heard()
    assert found.over == 0


def test_what_waited_comes_between_the_standstill_and_the_answer() -> None:
    """More than a window of acknowledged messages waits, so that a mere ping would be answered before the last."""
    with Mosquitto() as broker, Observer(broker.port, "shop/none") as world:

        async def story() -> list[str]:
            clock, shell = MovedClock(), Recorder()
            pulse = Pulse(clock)
            one = Session(
                BrokerSettings("127.0.0.1", broker.port, "gatehand-test"),
                "gatehand",
                shell,
                (Subscription("shop/#"),),
                patience=Patience(),
                pulse=pulse,
            )
            async with running(one):
                await until(lambda: "settled" in shell.story)
                shell.story.clear()
                for n in range(60):  # the loop does not turn meanwhile: it is frozen
                    world.publish(f"shop/{n}", b"1", qos=1)
                clock.now += 4
                await until(lambda: "caught up" in shell.story)
                world.publish("shop/new", b"1", qos=1)
                await until(lambda: "shop/new" in shell.story)
            return shell.story

        heard = asyncio.run(story())
        assert heard[0] == "stood"
        assert heard[1 : heard.index("caught up")] == [f"shop/{n}" for n in range(60)]
        assert heard[heard.index("caught up") :][:2] == ["caught up", "shop/new"]


def test_a_connection_that_ends_before_the_answer_has_caught_up_before_it_is_lost() -> None:
    with Mosquitto() as broker:

        async def story() -> list[str]:
            clock, shell = MovedClock(), Recorder()
            pulse = Pulse(clock)
            settings = BrokerSettings("127.0.0.1", broker.port, "gatehand-test")
            one = Session(settings, "gatehand", shell, pulse=pulse)
            async with running(one):
                await until(lambda: "settled" in shell.story)
                shell.story.clear()
                broker.sigstop()
                clock.now += 4
                pulse.look()
                broker.kill9()
                await until(lambda: "lost" in shell.story)
            return shell.story[:3]

        assert asyncio.run(story()) == ["stood", "caught up", "lost"]
