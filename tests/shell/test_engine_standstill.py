"""The engine through a standstill of the loop, and without its stop contacts: with simulated time."""

from shell_support import World

from gatehand_rules import events as ev

FAN = "shop/fan/set"


def stood(world: World, seconds: float = 4.2) -> None:
    """The loop stood still, and both connections have yet to bring what waited."""
    world.clocks.now += seconds
    world.engine.on_standstill(seconds)
    world.engine.stood_still("stops", seconds)


def test_a_hand_start_that_waited_starts_nothing_and_the_log_says_how_long_the_daemon_stood() -> None:
    world = World().rested()
    stood(world)
    world.say("gatehand/gate/bench/hand", "1")
    world.engine.on_caught_up()
    world.engine.caught_up("stops")
    world.run(5)
    ignored = world.events("message_ignored")
    assert [(line["rule"], line["stood_for"], line["gate"]) for line in ignored] == [("standstill", 4.2, "bench")]
    assert (FAN, "1") not in world.commands()
    world.say("gatehand/gate/bench/hand", "1")
    world.run(2)
    assert (FAN, "1") in world.commands()


def test_what_comes_is_old_until_every_connection_has_been_read() -> None:
    world = World().rested()
    stood(world)
    world.engine.on_caught_up()
    world.say("gatehand/gate/bench/hand", "1")
    assert world.engine.state.standstill
    world.engine.caught_up("stops")
    assert not world.engine.state.standstill
    assert len(world.events("daemon_caught_up")) == 1
    assert len(world.events("daemon_stood_still")) == 1
    assert len(world.events("message_ignored")) == 1


def test_a_connection_that_has_caught_up_unasked_ends_nothing() -> None:
    world = World().rested()
    world.engine.on_caught_up()
    assert not world.events("daemon_caught_up")


def test_a_stop_pressed_meanwhile_switches_off_before_anything_else() -> None:
    world = World().cutting()
    since = world.clocks.mono()
    stood(world)
    world.say("shop/estop", "1")
    assert world.commands(since)[0] == (FAN, "0")


def test_a_start_that_came_due_meanwhile_waits_for_what_had_waited() -> None:
    world = World().rested()
    world.say("shop/router/amps", "5")
    since = world.clocks.mono()
    stood(world)
    world.run(3)
    assert (FAN, "1") not in world.commands(since)
    world.engine.on_caught_up()
    world.engine.caught_up("stops")
    world.run(1)
    for _ in range(4):
        world.say("shop/router/amps", "5")
        world.run(1)
    assert (FAN, "1") in world.commands(since)


def test_a_stop_heard_before_the_other_connection_stands_holds_and_its_off_leaves_at_once_when_that_does() -> None:
    world = World()
    world.engine.handle(ev.StopsLost())
    world.say("shop/estop", "1", retained=True)
    world.engine.handle(ev.StopsHeard())
    assert not world.commands()
    world.transport.connected = True
    world.connect()
    assert world.commands()[0] == (FAN, "0")
    assert world.shown("collector/main")["state"] == "held"


def test_the_alarm_of_stops_that_are_not_heard_is_shown_and_ends() -> None:
    world = World().rested()
    world.engine.handle(ev.StopsLost("the broker ended it"))
    world.run(2.1)
    shown = world.shown("alarm/daemon.main.stops_unheard")
    assert "stop contacts" in shown["because"]
    assert "-stops" in shown["next"]
    world.engine.handle(ev.StopsHeard())
    world.run(0.1)
    assert world.shown("alarm/daemon.main.stops_unheard") is None


def test_a_mishap_forgets_no_loss_of_the_stops() -> None:
    world = World().rested()
    world.engine.handle(ev.StopsLost("the broker ended it"))
    world.engine._begin_anew(world.clocks.mono())  # noqa: SLF001
    assert world.engine.state.stops_lost_at is not None


def test_stop_topics_alone_are_listened_to_apart() -> None:
    world = World()
    assert [each.topic for each in world.engine.active.routes.live if each.apart] == ["shop/estop"]
