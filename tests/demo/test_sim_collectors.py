"""Collectors and contacts of the simulated shop: switch, motor, fan, and each thing that can go wrong with them."""

import pytest
from sim_shops import config, said

from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.sim_shop import Habits, SimShop

CONFIG = config()
USUAL = CollectorHabits(delay=0.0, running=8.0)
ON, OFF = '{"relay": [true]}', '{"relay": [false]}'


def shop(habits: CollectorHabits = USUAL) -> SimShop:
    made = SimShop(CONFIG, seed=3, habits=Habits(collectors={"main": habits}))
    made.begin(0.0)
    return made


def states(made: SimShop, to: float) -> list[tuple[float, str]]:
    return said(made.advance(to), "c/state")


def currents(made: SimShop, to: float) -> list[float]:
    return [float(text) for _, text in said(made.advance(to), "c/amps")]


def test_a_switch_obeys_and_reports_in_the_configs_words() -> None:
    made = shop()
    made.deliver("c/set", b"ON", 1.0)
    assert states(made, 2.0) == [(1.0, ON)]
    made.deliver("c/set", b"OFF", 2.0)
    assert states(made, 3.0) == [(2.0, OFF)]


def test_the_motor_draws_more_while_it_comes_up_and_nothing_while_it_coasts() -> None:
    made = shop()
    main = made.collectors["main"]
    made.deliver("c/set", b"ON", 1.0)
    made.advance(1.0)
    assert main.reads(1.0) == pytest.approx(48.0)
    assert main.reads(3.0) == 8.0
    made.deliver("c/set", b"OFF", 10.0)
    made.advance(10.0)
    assert main.reads(10.0) == 0.0


def test_the_fan_comes_up_in_its_spin_up_and_stands_after_its_coast_down() -> None:
    made = shop(CollectorHabits(delay=0.0, coast_down=4.0))
    main = made.collectors["main"]
    made.deliver("c/set", b"ON", 1.0)
    made.advance(1.0)
    assert main.speed(1.0) == 0.0
    assert main.speed(3.0) > 0.9
    made.deliver("c/set", b"OFF", 20.0)
    made.advance(20.0)
    assert 0.9 < main.speed(20.1) <= 1.0
    assert 0.0 < main.speed(23.9) < 0.3
    assert main.speed(24.0) == 0.0


def test_a_switch_opens_by_itself_unless_on_is_repeated() -> None:
    made = shop(CollectorHabits(delay=0.0, limit=15.0, answers=False))
    made.deliver("c/set", b"ON", 1.0)
    made.deliver("c/set", b"ON", 11.0)
    assert states(made, 25.0) == [(1.0, ON)]
    assert states(made, 40.0) == [(26.0, OFF)]
    assert not made.collectors["main"].turns


def test_a_switch_without_limit_stays() -> None:
    made = shop(CollectorHabits(delay=0.0, limit=0))
    made.deliver("c/set", b"ON", 1.0)
    made.advance(5000.0)
    assert made.collectors["main"].turns


def test_a_deaf_switch_ignores_what_it_is_told() -> None:
    made = shop()
    made.collectors["main"].deaf = True
    made.deliver("c/set", b"ON", 1.0)
    assert states(made, 5.0) == []
    assert not made.collectors["main"].turns


def test_a_welded_relay_keeps_the_motor_on_after_off() -> None:
    made = shop()
    made.deliver("c/set", b"ON", 1.0)
    made.advance(5.0)
    made.collectors["main"].weld(5.0)
    made.deliver("c/set", b"OFF", 6.0)
    assert OFF not in [text for _, text in states(made, 9.0)]
    assert made.collectors["main"].turns
    assert currents(made, 20.0)[-1] > 7.0
    made.collectors["main"].weld(20.0, on=False)
    assert states(made, 21.0) == [(20.0, OFF)]


def test_a_relay_that_is_open_cannot_weld() -> None:
    made = shop()
    made.collectors["main"].weld(1.0)
    assert not made.collectors["main"].turns


def test_a_report_of_the_coil_knows_nothing_of_a_welded_contact() -> None:
    made = shop(CollectorHabits(delay=0.0, reports_contact=False))
    made.deliver("c/set", b"ON", 1.0)
    made.advance(5.0)
    made.collectors["main"].weld(5.0)
    made.deliver("c/set", b"OFF", 6.0)
    assert states(made, 9.0) == [(6.0, OFF)]
    assert made.collectors["main"].turns


def test_the_hand_switch_starts_the_fan_beside_the_relay() -> None:
    made = shop()
    made.collectors["main"].switch_by_hand(on=True, at=1.0)
    assert states(made, 2.0) == [(1.0, ON)]
    made.deliver("c/set", b"OFF", 2.0)
    made.advance(3.0)
    assert made.collectors["main"].turns


def test_a_tripped_overload_takes_the_current_and_leaves_the_voltage() -> None:
    made = shop()
    made.deliver("c/set", b"ON", 1.0)
    made.advance(5.0)
    made.collectors["main"].trip(5.0)
    assert currents(made, 9.0)[-1] == 0.0
    assert made.collectors["main"].powered
    assert not made.collectors["main"].turns


def test_contacts_say_in_the_configs_words_what_has_changed_and_are_retained() -> None:
    made = shop()
    made.stops["estop"].set(active=True, at=1.0)
    made.stops["estop"].set(active=True, at=2.0)
    made.stops["estop"].set(active=False, at=3.0)
    full = made.collectors["main"].bin
    assert full is not None
    full.set(active=True, at=4.0)
    sent = made.advance(4.0)
    assert said(sent, "estop") == [(1.0, "pressed"), (3.0, "released")]
    assert said(sent, "c/bin") == [(4.0, "full")]
    assert all(one.retain for one in sent if one.topic in {"estop", "c/bin"})


def test_devices_listen_to_the_configs_command_topics_and_to_nothing_else() -> None:
    made = shop()
    assert set(made.topics) == {"c/set", "g/saw/set", "g/plain/set"}
    made.deliver("t/two", b"1", 0.0)
    assert not made.advance(0.0)
