"""What outlives the daemon: holds and resets, whatever became of the broker, and when a screen is shown a hold."""

import json

import pytest
from shell_support import SHOP, World, active_config_of
from support.in_memory import InMemory

from gatehand.mqtt.transport import MessageKind
from gatehand.shell.ports import HoldKept, Remembered

OFF, ON = ("shop/fan/set", "0"), ("shop/fan/set", "1")
HOLD = HoldKept("00000000000000aa", "main", "shop/fan/set", "filter change", "2026-11-28T08:00:00.000Z")
AT_REST = (("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
HELD_TOPIC = "gatehand/collector/main"


def held_status(hold_id: str | None) -> tuple[str, str]:
    return HELD_TOPIC, json.dumps({"state": "held", "held": "filter change", "hold_id": hold_id})


def cut(world: World) -> list[tuple[str, str]]:
    """A fresh cut with the gate open; gives what the collector is told."""
    since = world.clocks.mono()
    world.say("shop/band_saw/amps", "0.1")
    world.run(1)
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    world.run(1)
    return [each for each in world.commands(since) if each[0] == "shop/fan/set"]


def next_daemon(world: World, *retained: tuple[str, str], text: str = SHOP) -> World:
    """After a power cut: another daemon with what the disk has, and a broker with what is given."""
    world.memory.power_cut()
    return World(text, memory=InMemory(world.memory.kept)).connect(*AT_REST, *retained)


def test_a_hold_outlives_daemon_and_broker_killed_together() -> None:
    """The broker has forgotten all that it retained since its last save; no reset was ever given."""
    before = World().rested()
    before.say("gatehand/collector/main/hold", "filter change")
    after = next_daemon(before)
    assert cut(after) == []
    assert after.shown("collector/main")["state"] == "held"
    assert after.shown("collector/main")["held"] == "filter change"


def test_a_stop_outlives_daemon_and_broker_killed_together_although_the_contact_is_clear_again() -> None:
    before = World().cutting()
    before.say("shop/estop", "1")
    before.run(0.1)
    after = next_daemon(before, ("shop/estop", "0"))
    assert cut(after) == []


def test_the_broker_alone_remembers_too() -> None:
    """The state folder was lost, or the config moved to another machine."""
    for hold_id in ("00000000000000bb", None):
        world = World().connect(*AT_REST, held_status(hold_id))
        assert cut(world) == [], f"held by the broker's word, id {hold_id}"
        assert [hold.id for hold in world.memory.kept.holds] == [hold_id or "0000000000000001"]


def test_a_hold_that_was_reset_is_over_although_the_broker_still_shows_it() -> None:
    """The broker was killed before it had saved the reset."""
    before = World().rested()
    before.say("gatehand/collector/main/hold", "filter change")
    before.run(5)
    shown = before.transport.retained[HELD_TOPIC]
    before.say("gatehand/collector/main/reset", "")
    before.run(5)
    assert before.shown("collector/main")["state"] != "held"
    after = next_daemon(before, (HELD_TOPIC, shown))
    assert cut(after) != []


def test_a_reset_ends_each_id_of_a_collector() -> None:
    """File and broker remember different holds; one press ends both."""
    world = World(memory=InMemory(Remembered((HOLD,)))).connect(*AT_REST, held_status("00000000000000bb"))
    assert world.shown("collector/main")["hold_id"] == HOLD.id
    world.run(5)
    world.say("gatehand/collector/main/reset", "")
    assert world.memory.kept.holds == ()
    assert set(world.memory.kept.resets) == {HOLD.id, "00000000000000bb"}


def test_resets_are_bounded_and_the_newest_are_kept() -> None:
    world = World(memory=InMemory(Remembered((HOLD,), tuple(f"{n:016x}" for n in range(1000, 1200))))).connect(*AT_REST)
    world.run(5)
    world.say("gatehand/collector/main/reset", "")
    assert len(world.memory.kept.resets) == 200
    assert world.memory.kept.resets[-1] == HOLD.id


def test_held_is_shown_only_once_it_is_on_the_disk_and_off_waits_for_nothing() -> None:
    world = World().cutting()
    world.memory.stalled = True
    at = world.clocks.mono()
    world.say("gatehand/collector/main/hold", "filter change")
    assert OFF in world.commands(at)
    world.run(0.9)
    assert world.shown("collector/main")["state"] == "running"
    world.memory.sync()
    shown = world.shown("collector/main")
    assert (shown["state"], shown["hold_id"]) == ("held", world.memory.kept.holds[0].id)
    assert world.shown("alarm/daemon.main.memory") is None


def test_after_a_second_held_is_shown_with_an_alarm_which_ends_when_the_disk_is_back() -> None:
    world = World().cutting()
    world.memory.stalled = True
    world.say("gatehand/collector/main/hold", "filter change")
    world.run(1.01)
    assert world.shown("collector/main")["state"] == "held"
    alarm = world.shown("alarm/daemon.main.memory")
    assert "The hold of main could not be written" in alarm["because"]
    world.memory.sync()
    world.engine.beat()
    assert world.shown("alarm/daemon.main.memory") is None


def test_what_cannot_be_written_raises_an_alarm_and_is_tried_again() -> None:
    world = World()
    world.memory.trouble = "no space left on the device"
    world.cutting()
    assert "no space left" in world.shown("alarm/daemon.main.memory")["because"], "known before the first hold"
    world.say("gatehand/collector/main/hold", "filter change")
    world.run(1.01)
    assert world.shown("collector/main")["state"] == "held"
    world.memory.trouble = None
    world.engine.beat()
    assert world.memory.kept.holds[0].why == "filter change"
    assert world.shown("alarm/daemon.main.memory") is None


def test_a_memory_that_cannot_be_read_holds_every_collector_and_says_why() -> None:
    world = World(memory=InMemory(Remembered(unreadable="state.json is torn"))).connect(*AT_REST)
    assert cut(world) == []
    assert world.shown("collector/main")["held"] == "state.json is torn"
    assert next_daemon(world).shown("collector/main")["state"] == "held", "and the next one still does"
    world.run(5)
    world.say("gatehand/collector/main/reset", "")
    assert cut(next_daemon(world)) != []


def test_a_first_start_holds_nothing() -> None:
    assert cut(World().connect(*AT_REST)) != []


def test_a_collector_renamed_while_nothing_ran_is_known_by_its_command_topic() -> None:
    renamed = SHOP.replace("[collector.main]", "[collector.big]")
    world = World(renamed, memory=InMemory(Remembered((HOLD,)))).connect(*AT_REST)
    assert cut(world) == []
    assert world.shown("collector/big")["hold_id"] == HOLD.id
    assert world.memory.kept.holds[0].collector == "big"


def test_a_collector_whose_command_topic_changed_while_nothing_ran_is_known_by_its_name() -> None:
    moved = SHOP.replace("shop/fan/set", "shop/big/set")
    world = World(moved, memory=InMemory(Remembered((HOLD,)))).connect(*AT_REST)
    assert world.shown("collector/main")["state"] == "held"
    assert world.memory.kept.holds[0].command_topic == "shop/big/set"


def test_a_hold_of_a_collector_that_is_gone_is_not_forgotten() -> None:
    other = SHOP.replace("[collector.main]", "[collector.big]").replace("shop/fan/set", "shop/big/set")
    world = World(other, memory=InMemory(Remembered((HOLD,)))).connect(*AT_REST)
    world.say("gatehand/collector/big/hold", "x")
    assert HOLD in world.memory.kept.holds
    assert HOLD.id not in world.memory.kept.resets


def test_a_mistake_of_the_rules_is_held_beyond_a_power_cut_too(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    with monkeypatch.context() as broken:
        broken.setattr("gatehand.shell.engine.step", _fails_once())
        world.say("shop/gate/band_saw/state", "moving")
    assert cut(next_daemon(world)) == []


def _fails_once() -> object:
    from gatehand_rules import step

    failed: list[bool] = []

    def failing(*args: object) -> object:
        if not failed:
            failed.append(True)
            raise ZeroDivisionError
        return step(*args)  # type: ignore[arg-type]

    return failing


def test_what_was_heard_is_remembered_within_a_minute_or_at_a_clean_stop() -> None:
    world = World().rested()
    assert world.engine.notebook.was_heard("shop/band_saw/amps")
    assert "shop/band_saw/amps" not in world.memory.kept.heard
    for _ in range(61):
        world.run(1)
        world.engine.beat()
    assert "shop/band_saw/amps" in world.memory.kept.heard
    world.say("shop/estop", "0")
    world.engine.stop()
    later = World(memory=InMemory(world.memory.kept))
    assert later.engine.notebook.was_heard("shop/estop")


def test_an_edit_of_the_config_never_ends_a_hold() -> None:
    from gatehand_rules.reshape import adopt_shop

    world = World().rested()
    world.say("gatehand/collector/main/hold", "filter change")
    engine, active = world.engine, active_config_of(SHOP.replace("[collector.main]", "[collector.big]"))
    engine.swap(active, adopt_shop(engine.active.shop, active.shop, engine.state, engine.now()))
    assert world.shown("collector/big")["state"] == "held"
    assert [hold.collector for hold in world.memory.kept.holds] == ["big"]
    assert world.memory.kept.resets == ()
    assert ON not in cut(world)


def test_no_status_of_a_held_collector_is_sent_before_it_is_on_the_disk_even_on_a_new_connection() -> None:
    world = World().rested()
    world.memory.stalled = True
    world.say("gatehand/collector/main/hold", "filter change")
    world.lose()
    at = len(world.transport.sent)
    world.transport.connected = True
    world.connect()
    sent = [each for each in world.transport.sent[at:] if each.topic == HELD_TOPIC and each.kind is MessageKind.STATUS]
    assert sent == []
    world.memory.sync()
    assert world.shown("collector/main")["state"] == "held"
