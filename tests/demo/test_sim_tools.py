"""Tools of the simulated shop: what the motor draws, what the sensor says, and each fault of the sensor."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sim_shops import amps, config, said

from gatehand.config import Config
from gatehand.mqtt.payload import Reader
from gatehand.simshop.device import Agenda, Reporter
from gatehand.simshop.sim_shop import Habits, SimShop
from gatehand.simshop.tool import Inrush, ToolHabits

CONFIG: Config = config()
SAW, MILL = CONFIG.tool["saw"].sensor, CONFIG.tool["mill"].sensor


def shop(**tools: ToolHabits) -> SimShop:
    made = SimShop(CONFIG, seed=4, habits=Habits(tools=tools))
    made.begin(0.0)
    return made


@pytest.mark.parametrize("seed", range(40))
def test_inrush_is_five_to_nine_times_running_for_a_fraction_of_a_second(seed: int) -> None:
    # Common practice, no published source: 5 to 9 times for a fraction of a second.
    made = SimShop(CONFIG, seed=seed, habits=Habits(tools={"saw": ToolHabits(running=6.0)}))
    saw = made.tools["saw"]
    saw.switch(on=True, at=10.0)
    assert 30.0 <= saw.reads(10.0) <= 54.0
    assert saw.reads(10.0) > saw.reads(10.1) > 6.0
    assert saw.reads(10.4) == 6.0


def test_a_soft_start_has_no_inrush() -> None:
    made = shop(saw=ToolHabits(running=6.0, inrush=None))
    made.tools["saw"].switch(on=True, at=10.0)
    assert made.tools["saw"].reads(10.0) == 6.0


def test_readings_carry_the_configs_pointer_and_scale_and_little_noise() -> None:
    made = shop(saw=ToolHabits(running=6.0, inrush=None))
    made.advance(10.0)
    made.tools["saw"].switch(on=True, at=10.0)
    readings = [value for _, value in amps(SAW, made.advance(60.0))]
    assert len(readings) >= 50
    assert all(5.0 < value < 7.0 for value in readings)
    assert len(set(readings)) > 10, "a real sensor never repeats itself for long"


def test_devices_that_share_a_topic_are_both_in_each_message() -> None:
    made = shop()
    made.tools["mill"].switch(on=True, at=1.0, load=5.0)
    made.tools["saw"].switch(on=True, at=1.0, load=7.0)
    last = [one for one in made.advance(10.0) if one.topic == "t/two"][-1]
    mill, saw = Reader("/a/1/amps").read_number(last.payload), Reader("/a/0/amps", 0.001).read_number(last.payload)
    assert isinstance(mill, float)
    assert isinstance(saw, float)
    assert abs(mill - 5.0) < 0.6
    assert abs(saw - 7.0) < 0.8


def test_a_sensor_by_the_clock_reports_well_within_silent_after() -> None:
    made = shop()
    times = [at for at, _ in amps(SAW, made.advance(100.0))]
    assert max(b - a for a, b in itertools.pairwise(times)) <= CONFIG.tool["saw"].silent_after / 4


def test_a_sensor_that_speaks_on_change_says_nothing_between_changes() -> None:
    made = SimShop(CONFIG, habits=Habits(tools={"saw": ToolHabits(every=0)}))
    made.begin(0.0)
    assert not [one for one in made.advance(3600.0) if one.topic == "t/two"]
    made.tools["mill"].switch(on=True, at=3600.0)
    times = [at for at, _ in amps(MILL, made.advance(7200.0))]
    assert len(times) == 2, "the inrush, and what it comes down to"
    assert times[1] < 3601.0


def test_a_silenced_sensor_says_nothing_until_it_speaks_again() -> None:
    made = shop(mill=ToolHabits(every=0))
    made.tools["saw"].silence(on=True)
    assert not amps(SAW, made.advance(50.0))
    made.tools["saw"].silence(on=False)
    assert amps(SAW, made.advance(60.0))


def test_a_stuck_sensor_repeats_what_it_read_whatever_the_motor_does() -> None:
    made = shop()
    made.advance(5.0)
    made.tools["saw"].switch(on=True, at=5.0, load=6.0)
    made.advance(8.0)
    made.tools["saw"].stick(8.0, on=True)
    made.tools["saw"].switch(on=False, at=9.0)
    values = {value for _, value in amps(SAW, made.advance(40.0))}
    assert len(values) == 1
    assert values.pop() > 5.0


def test_a_spike_is_one_reading() -> None:
    made = shop()
    made.tools["saw"].spike(3.0, 48.0)
    values = [value for _, value in amps(SAW, made.advance(20.0))]
    assert values.count(48.0) == 1
    assert sum(value > 1.0 for value in values) == 1


def test_a_dropped_sensor_leaves_its_will_and_comes_back() -> None:
    made = shop(mill=ToolHabits(every=0))
    made.tools["saw"].drop(3.0)
    assert said(made.advance(50.0), "t/online") == [(3.0, "0")]
    made.tools["saw"].come_back(50.0)
    back = made.advance(50.0)
    assert said(back, "t/online") == [(50.0, "1")]
    assert amps(SAW, back)


def test_nonsense_is_said_as_it_is() -> None:
    made = shop()
    made.tools["saw"].babble(1.0, b"\xff{")
    assert [one.payload for one in made.advance(1.0) if one.at == 1.0] == [b"\xff{"]


def test_the_same_seed_and_calls_give_the_same_messages_and_another_seed_others() -> None:
    def play(seed: int) -> list[object]:
        made = SimShop(CONFIG, seed=seed)
        heard: list[object] = [*made.begin(0.0)]
        made.tools["saw"].switch(on=True, at=2.0)
        heard += made.advance(30.0)
        return heard

    assert play(1) == play(1)
    assert play(1) != play(2)


def test_a_default_inrush_stays_within_its_bounds() -> None:
    assert (Inrush().least, Inrush().most) == (5.0, 9.0)


@given(
    st.text("ab~/01", max_size=3),
    st.lists(st.text("ab~/0", min_size=1, max_size=3), max_size=3),
    st.sampled_from(["1", "on", "true", "1.50", "-0", "nan", '"', "null", " x"]),
)
def test_a_word_is_read_back_through_any_pointer(first: str, more: list[str], word: str) -> None:
    from gatehand.config.signals import SwitchState

    pointer = "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in (first, *more))
    heard = SwitchState(topic="x", pointer=pointer, on=word, off="no-such-word")
    reporter = Reporter()
    reporter.word(heard, word, 0.0, retain=True)
    assert Reader(pointer).read_word(reporter.drain()[0].payload, {word: "found"}) == "found"


@given(st.floats(0, 900), st.sampled_from([1.0, 0.001, 1000.0, -0.5]))
def test_a_current_is_read_back_through_any_scale(value: float, scale: float) -> None:
    from gatehand.config.signals import Current

    heard = Current(topic="x", scale=scale)
    reporter = Reporter()
    reporter.reading(heard, value, 0.0)
    read = Reader(None, scale).read_number(reporter.drain()[0].payload)
    assert isinstance(read, float)
    assert math.isclose(read, value, rel_tol=1e-4, abs_tol=1e-9)


def test_an_appointment_called_off_is_not_kept_and_others_come_in_the_order_of_asking() -> None:
    agenda, kept = Agenda(), []
    agenda.at(1.0, lambda _: kept.append("a"))
    agenda.at(1.0, lambda _: kept.append("b")).call_off()
    agenda.at(1.0, lambda _: kept.append("c"))
    agenda.at(0.5, lambda now: agenda.at(now - 5, lambda _: kept.append("late asked, next done")))
    assert agenda.next_at() == 0.5
    agenda.advance(2.0)
    assert kept == ["late asked, next done", "a", "c"]
    assert agenda.next_at() is None
