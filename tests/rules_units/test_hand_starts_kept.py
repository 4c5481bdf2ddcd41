"""A hand start from before a lost connection keeps a fan that is on, starts none, says so, and asked anew is fresh."""

from unit_bench import Bench, commands, events, fan, gate, ready, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.shop import Shop
from gatehand_rules.state import CoastDown, Hand, Running

REFUSED = "start_refused/broker gate=saw collector=main"


def asked(place: Shop, *, seen: bool = True) -> Bench:
    """A hand start that runs."""
    bench = ready(place)
    bench.tell(ev.HandAsked("saw", on=True), 50.0)
    if place.gates[0].reports:
        bench.is_open(51.0)
    bench.tick(51.0)
    if seen:
        bench.is_on(51.1)
    bench.until(55.0)
    assert isinstance(bench.fan_state().phase, Running)
    return bench


def gap(bench: Bench, *, until: float = 90.0, on: bool | None = True) -> list[str]:
    """The broker is away from 60 s on; what the switch says of itself is retained there."""
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), until)
    if on is not None:
        bench.tell(ev.CollectorReport("main", on=on, retained=True), until + 0.1)
    return bench.tick(until + 0.5)


def went_off() -> tuple[Bench, list[str]]:
    """The switch's own time limit stopped the fan while the broker was away."""
    bench = asked(saw_shop())
    return bench, gap(bench, on=False)


def test_a_fan_that_went_off_meanwhile_ends_it_and_says_that_it_has_to_be_asked_for_again() -> None:
    bench, said = went_off()
    assert REFUSED in said
    assert "hand_ended/broker" in events(said)
    assert bench.gate_state().hand is None
    assert "on main" not in commands(bench.until(89.9 + 600.0))


def test_asked_for_again_it_starts_the_fan() -> None:
    bench, _ = went_off()
    bench.is_off(91.0)
    bench.until(110.0)
    said = bench.tell(ev.HandAsked("saw", on=True), 110.0)
    assert "hand_started/button" in events(said)
    assert "on main" in commands(said) + commands(bench.is_open(111.0))


def test_its_button_starts_the_fan_with_the_first_press() -> None:
    bench, _ = went_off()
    bench.is_off(91.0)
    bench.until(110.0)
    said = bench.tell(ev.ButtonPressed("saw"), 110.0)
    assert "hand_started/button" in events(said)
    assert "on main" in commands(said) + commands(bench.is_open(111.0))


def test_a_fan_that_is_on_is_kept_and_asking_makes_it_fresh_with_its_whole_time() -> None:
    bench = asked(saw_shop())
    assert REFUSED not in gap(bench)
    assert bench.gate_state().hand == Hand(50.0, kept=True)
    assert isinstance(bench.fan_state().phase, Running)
    said = bench.tell(ev.HandAsked("saw", on=True), 95.0)
    assert "hand_started/button" in events(said)
    assert bench.gate_state().hand == Hand(95.0)
    assert bench.tell(ev.HandAsked("saw", on=True), 96.0) == [], "asking twice is asking once"


def test_a_press_ends_it_while_its_fan_runs() -> None:
    bench = asked(saw_shop())
    gap(bench)
    assert "hand_ended/button" in events(bench.tell(ev.ButtonPressed("saw"), 95.0))


def blind() -> Bench:
    """Nobody reports, and the gap was longer than the refresh: the switch's own limit may have stopped the fan."""
    bench = asked(shop(tool(), gate(reports=False), fan(reports=False, refresh=20.0)), seen=False)
    assert REFUSED in gap(bench, on=None)
    assert "on main" not in commands(bench.until(200.0))
    assert bench.gate_state().hand is not None
    return bench


def test_a_fan_that_may_have_stopped_unseen_is_told_on_when_somebody_asks() -> None:
    assert "on main" in commands(blind().tell(ev.HandAsked("saw", on=True), 200.0))


def test_a_fan_that_may_have_stopped_unseen_is_told_on_when_somebody_presses() -> None:
    assert "on main" in commands(blind().tell(ev.ButtonPressed("saw"), 200.0))


def test_a_trip_ends_it() -> None:
    bench = asked(saw_shop())
    gap(bench)
    bench.is_shut(95.0)
    assert REFUSED in bench.is_open(95.5)
    assert bench.fan_state().phase == CoastDown(tripped=True)
    assert bench.gate_state().hand is None


def test_while_held_asking_starts_nothing() -> None:
    bench = asked(saw_shop())
    gap(bench)
    bench.tell(ev.HoldAsked("main"), 95.0)
    assert "start_refused/hold" in events(bench.tell(ev.HandAsked("saw", on=True), 96.0))
    assert "on main" not in commands(bench.until(300.0))
