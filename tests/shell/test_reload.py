"""A config that is changed while the shop is worked."""

import json
from pathlib import Path
from typing import Any

import pytest
from shell_support import SHOP, World

from gatehand.config import load
from gatehand.journal.sentences import sentence
from gatehand.shell import own_alarms
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.config_reload import Reloader
from gatehand.times import stamp_ms
from gatehand_rules.state import ToolRunning, ToolUnknown, collector_word, gate_word, tool_word

FAN, SAW, BENCH = "shop/fan/set", "shop/gate/band_saw/set", "shop/gate/bench/set"

PLANER = """
[gate.planer]
command = { topic = "shop/gate/planer/set", open = "open", shut = "shut" }
travel = 1

[tool.planer]
gates = ["planer"]
current = { topic = "shop/planer/amps" }
start_amps = 3
"""


class Edited:
    """A world whose config lies in a file that is edited."""

    def __init__(self, folder: Path, text: str = SHOP) -> None:
        self.file = folder / "config.toml"
        self.file.write_text(text)
        self.world = World(text)
        loaded = load(self.file)
        self.reloader = Reloader(
            self.world.engine,
            loaded,
            self.world.transport,
            lambda _level, said, _facts=None: self.world.said.append(said),
            elsewhere=lambda work: work(),
        )

    def edit(self, old: str, new: str) -> None:
        text = self.file.read_text()
        assert old in text
        self.write(text.replace(old, new))

    def write(self, text: str) -> None:
        """As editors do: a new file takes the old one's name."""
        beside = self.file.with_suffix(".new")
        beside.write_text(text)
        beside.replace(self.file)
        self.reloader.look()

    def without(self, table: str) -> None:
        parts = self.file.read_text().split("\n\n")
        kept = [part for part in parts if not part.strip().startswith(f"[{table}]")]
        assert len(kept) == len(parts) - 1
        self.write("\n\n".join(kept))

    @property
    def outcome(self) -> Any:  # noqa: ANN401 - JSON
        return self.world.shown("config")


@pytest.fixture
def edited(tmp_path: Path) -> Edited:
    return Edited(tmp_path)


def test_a_run_on_that_is_counting_takes_its_new_length(edited: Edited) -> None:
    world = edited.world.cutting()
    world.say("shop/band_saw/amps", "0")
    world.run(5)
    until = stamp_ms(world.shown("collector/main")["until"])
    edited.edit("run_on = 10", "run_on = 20")
    assert stamp_ms(world.shown("collector/main")["until"]) == until + 10_000
    assert world.shown("tool/band_saw")["run_on_ends"] == world.shown("collector/main")["until"]
    since = world.clocks.now
    world.run(14)
    assert (FAN, "0") not in world.commands(since), "19 s after the stop it still runs on"
    world.run(1.1)
    assert (FAN, "0") in world.commands(since)


def test_a_run_on_made_shorter_than_it_has_lasted_ends_at_once_but_not_by_the_reload(edited: Edited) -> None:
    world = edited.world.cutting()
    world.say("shop/band_saw/amps", "0")
    world.run(5)
    since = world.clocks.now
    edited.edit("run_on = 10", "run_on = 3")
    assert world.commands(since) == [], "the reload itself switches nothing"
    world.run(0.1)
    assert world.commands(since) == [(FAN, "0")]


def test_a_good_edit_is_in_force_at_once_and_switches_nothing(edited: Edited) -> None:
    world = edited.world.cutting()
    since = world.clocks.now
    edited.edit("start_amps = 2.5", "start_amps = 6")
    assert edited.outcome["ok"] is True
    assert world.shown("tool/band_saw")["start_amps"] == 6
    assert world.commands(since) == []
    first, second = world.events("config_loaded")
    assert "changed" not in first
    told = "tool.band_saw.start_amps: 2.5 -> 6; tool.band_saw.stop_amps: 1.75 -> 4.2"
    assert second["changed"] == told
    assert sentence(second).endswith(f", changed: {told}")
    assert world.recorder.begun[-1] == edited.file.read_text()
    world.say("shop/band_saw/amps", "5")
    world.run(5)
    assert world.commands(since) == [], "it runs on until it falls below its new stop threshold"


def test_a_threshold_lowered_below_what_is_drawn_starts_nothing(edited: Edited) -> None:
    """The missed cut goes on while its threshold is mended: that is no start that was seen (I5)."""
    world = edited.world.rested()
    for _ in range(5):
        world.say("shop/band_saw/amps", "2")
        world.run(1)
    since = world.clocks.now
    edited.edit("start_amps = 2.5", "start_amps = 1.5")
    for _ in range(5):
        world.say("shop/band_saw/amps", "2")
        world.run(1)
    assert world.commands(since) == []
    assert "tool.band_saw.not_fresh" in world.engine.publisher.alarms.raised
    world.say("shop/band_saw/amps", "0")
    world.say("shop/band_saw/amps", "2")
    assert world.commands(since) == [(SAW, "open")]


def test_a_bad_edit_keeps_the_old_config_and_says_where_it_is_wrong(edited: Edited) -> None:
    world = edited.world.cutting()
    before, since = world.engine.active, world.clocks.now
    edited.edit("start_amps = 2.5", "start_ampz = 2.5")
    assert world.engine.active is before
    assert world.commands(since) == []
    (problem, *_) = [each for each in edited.outcome["problems"] if each["level"] == "error"]
    assert edited.outcome["ok"] is False
    line = edited.file.read_text().splitlines().index("start_ampz = 2.5") + 1
    assert (problem["line"], problem["column"]) == (line, 1)
    assert "start_amps" in problem["message"]
    alarm = world.shown("alarm/daemon.main.config")
    assert f"{edited.file}:{line}:1" in alarm["because"]
    assert "gatehand check" in alarm["next"]
    assert "start_ampz" in str(world.events("config_rejected")[0]["why"])
    raised = world.events("alarm_raised")[-1]
    assert (raised["alarm"], raised["because"]) == ("daemon.main.config", alarm["because"])
    assert sentence(raised) == "alarm: the changed config was not taken", "the line before tells its mistakes"


@pytest.mark.parametrize(
    ("alarm", "said"),
    [
        (own_alarms.config_waits("collector main may still turn"), "alarm: the changed config waits"),
        (own_alarms.config_unreadable("/a/shop.toml is gone: no file"), "alarm: the config /a/shop.toml is gone"),
    ],
)
def test_what_the_line_before_has_told_of_a_config_is_not_told_again(alarm: ShownAlarm, said: str) -> None:
    facts = {"event": "alarm_raised", "alarm": alarm.id, "because": alarm.because}
    assert sentence(facts) == said


def test_the_next_good_edit_ends_the_alarm(edited: Edited) -> None:
    world = edited.world.cutting()
    edited.write("[[[")
    assert world.shown("alarm/daemon.main.config") is not None
    edited.write(SHOP)
    assert world.shown("alarm/daemon.main.config") is None
    assert edited.outcome["ok"] is True
    assert world.events("alarm_cleared")[-1]["alarm"] == "daemon.main.config"


def test_a_new_tool_and_gate_are_unknown_and_start_nothing_until_seen_idle(edited: Edited) -> None:
    world = edited.world.rested()
    since = world.clocks.now
    edited.write(SHOP + PLANER)
    assert "shop/planer/amps" in {each.topic for each in world.transport.wanted}
    world.say("shop/planer/amps", "9")
    world.run(5)
    assert world.commands(since) == []
    world.say("shop/planer/amps", "0")
    world.run(1)
    world.say("shop/planer/amps", "9")
    world.run(1.1)
    assert world.commands(since)[:2] == [("shop/gate/planer/set", "open"), (FAN, "1")]
    assert world.shown("tool/planer")["state"] == "running"


def test_a_tool_removed_while_it_cuts_leaves_its_run_on_and_then_the_fan_stops_safely(edited: Edited) -> None:
    world = edited.world.cutting()
    since = world.clocks.now
    edited.without("tool.band_saw")
    assert edited.outcome["ok"] is True
    assert world.commands(since) == []
    assert world.shown("tool/band_saw") is None
    world.run(9.9)
    assert world.commands(since) == []
    world.run(0.2)
    assert world.commands(since) == [(FAN, "0")]
    world.say("shop/fan/state", "0")
    world.run(2.1)
    assert world.commands(since) == [(FAN, "0"), (SAW, "shut")]


def test_a_gate_removed_while_its_fan_turns_waits_and_goes_when_the_fan_stands(edited: Edited) -> None:
    world = edited.world.cutting()
    since = world.clocks.now
    text = SHOP.replace('gates = ["band_saw"]', 'gates = ["bench"]')
    parts = [part for part in text.split("\n\n") if not part.startswith("[gate.band_saw]")]
    edited.write("\n\n".join(parts))
    assert edited.outcome["ok"] is False
    assert edited.outcome["waits_for"] == ["the gate band_saw is removed while the fan of main may turn"]
    assert "waits" in world.shown("alarm/daemon.main.config")["because"]
    assert world.commands(since) == []
    world.say("shop/band_saw/amps", "0")
    world.run(10.1)
    edited.reloader.look()
    assert edited.outcome["ok"] is False, "it coasts down"
    world.say("shop/fan/state", "0")
    world.run(2.1)
    edited.reloader.look()
    assert edited.outcome["ok"] is True
    assert world.shown("alarm/daemon.main.config") is None
    assert world.shown("gate/band_saw") is None
    assert world.commands(since) == [(FAN, "0"), (SAW, "shut")], "never below min_open while the fan turned"


def test_a_gate_given_another_command_topic_while_its_fan_turns_waits(edited: Edited) -> None:
    world = edited.world.cutting()
    edited.edit('topic = "shop/gate/band_saw/set"', 'topic = "shop/gate/saw/set"')
    assert edited.outcome["waits_for"] == ["the gate band_saw is given other topics while the fan of main may turn"]
    world.say("shop/estop", "1")
    world.say("shop/fan/state", "0")
    world.run(2.1)
    edited.reloader.look()
    assert edited.outcome["ok"] is True
    assert gate_word(world.engine.state.gates[0]) == "unknown", "another device: its position has to be learnt"


def test_what_waits_gives_way_to_the_next_edit(edited: Edited) -> None:
    world = edited.world.cutting()
    edited.edit('topic = "shop/gate/band_saw/set"', 'topic = "shop/gate/saw/set"')
    assert edited.outcome["waits_for"]
    edited.write(SHOP)
    assert edited.outcome["ok"] is True
    assert edited.outcome["waits_for"] == []
    assert world.shown("alarm/daemon.main.config") is None


def test_min_open_raised_above_what_stands_open_waits(edited: Edited) -> None:
    world = edited.world.cutting()
    since = world.clocks.now
    edited.edit("coast_down = 2", "coast_down = 2\nmin_open = 2")
    assert "min_open of main rises to 2 while 1 are proven open" in edited.outcome["waits_for"][0]
    world.run(5)
    assert world.commands(since) == []


def test_max_open_lowered_below_what_stands_open_waits(edited: Edited) -> None:
    world = edited.world.cutting()
    world.say("shop/router/amps", "5")
    world.run(1.5)
    since = world.clocks.now
    edited.edit("coast_down = 2", "coast_down = 2\nmax_open = 1")
    assert "max_open of main falls to 1 while 2 gates stand open" in edited.outcome["waits_for"][0]
    world.say("shop/router/amps", "0")
    world.run(1)
    edited.reloader.look()
    assert edited.outcome["ok"] is True, "one gate stands open"
    assert world.commands(since) == [(BENCH, "shut")]


def test_alarms_of_a_tool_that_is_removed_end_with_it(edited: Edited) -> None:
    world = edited.world.rested()
    world.run(40)
    assert "tool.router.silent" in world.engine.publisher.alarms.raised
    edited.edit('[tool.band_saw]\ngates = ["band_saw"]', '[tool.band_saw]\ngates = ["band_saw", "bench"]')
    edited.without("tool.router")
    assert edited.outcome["ok"] is True
    assert "tool.router.silent" not in world.engine.publisher.alarms.raised
    assert "tool.band_saw.silent" in world.engine.publisher.alarms.raised
    assert world.shown("alarm/tool.router.silent") is None


def test_the_alarm_of_a_stop_contact_that_is_not_understood_stays_over_a_reload(edited: Edited) -> None:
    world = edited.world.rested()
    world.say("shop/estop", "pressed")
    edited.edit("run_on = 10", "run_on = 3")
    assert world.shown("alarm/stop.emergency.unclear")
    edited.without("stop.emergency")
    assert world.shown("alarm/stop.emergency.unclear") is None, "nobody is left to end it"


def test_a_hold_and_a_stop_contact_stay_over_a_reload(edited: Edited) -> None:
    world = edited.world.cutting()
    world.say("shop/estop", "1")
    edited.edit("run_on = 10", "run_on = 11")
    assert collector_word(world.engine.state.collectors[0]) == "held"
    world.say("gatehand/collector/main/reset", "")
    assert collector_word(world.engine.state.collectors[0]) == "held", "the contact is still active"
    world.say("shop/estop", "0")
    world.run(2)
    world.say("gatehand/collector/main/reset", "")
    assert collector_word(world.engine.state.collectors[0]) != "held"


def test_a_tool_whose_sensor_moves_to_another_topic_is_unknown_again(edited: Edited) -> None:
    world = edited.world.cutting()
    since = world.clocks.now
    edited.edit('topic = "shop/band_saw/amps"', 'topic = "shop/saw/amps"')
    assert isinstance(world.engine.state.tools[0], ToolUnknown)
    world.say("shop/saw/amps", "5")
    assert isinstance(world.engine.state.tools[0], ToolRunning)
    assert tool_word(world.engine.state.tools[0]) == "running"
    world.run(5)
    assert world.commands(since) == []


def test_changes_of_broker_and_log_wait_for_the_next_start_and_say_so(edited: Edited) -> None:
    world = edited.world.rested()
    edited.write('[broker]\nbase = "workshop"\n' + SHOP.replace("run_on = 10", "run_on = 12"))
    assert edited.outcome["ok"] is True
    assert edited.outcome["at_restart"] == ["broker"]
    assert world.engine.active.routes.base == "gatehand"
    assert world.shown("tool/band_saw")["run_on"] == 12
    assert any("[broker]" in said for said in world.said)


def test_asking_over_mqtt_gets_an_outcome_that_names_who_asked(edited: Edited) -> None:
    world = edited.world.rested()
    world.say("gatehand/reload", "me-17")
    edited.reloader.look()
    assert edited.outcome["asked"] == ["me-17"]
    assert edited.outcome["ok"] is True


def test_the_outcome_is_shown_again_on_a_new_connection(edited: Edited) -> None:
    world = edited.world.rested()
    world.transport.retained.clear()
    edited.reloader.show()
    assert json.loads(world.transport.retained["gatehand/config"])["ok"] is True


def test_a_collector_that_is_new_is_told_off_once_as_at_a_start(edited: Edited) -> None:
    world = edited.world.cutting()
    since = world.clocks.now
    second = """
[collector.second]
command = { topic = "shop/second/set", on = "1", off = "0" }

[gate.lathe]
collector = "second"
command = { topic = "shop/gate/lathe/set", open = "open", shut = "shut" }

[tool.lathe]
gates = ["lathe"]
current = { topic = "shop/lathe/amps" }
start_amps = 3
"""
    text = SHOP.replace("[gate.band_saw]", '[gate.band_saw]\ncollector = "main"').replace(
        "[gate.bench]", '[gate.bench]\ncollector = "main"'
    )
    edited.write(text + second)
    assert edited.outcome["ok"] is True, edited.outcome
    assert world.commands(since) == [("shop/second/set", "0")]
    world.run(10)
    assert world.commands(since)[1:] == [("shop/gate/lathe/set", "shut")]
    assert not world.events("command_vetoed")


def test_another_kind_of_sensor_has_to_show_its_tool_idle_before_it_starts_anything(edited: Edited) -> None:
    """What was read of the one before says nothing of it."""
    world = edited.world.rested()
    edited.edit('current = { topic = "shop/router/amps" }\nstart_amps = 2', 'running = { topic = "shop/r", ON_OFF }')
    assert edited.outcome["ok"] is False, "a contact without its words"
    edited.edit("ON_OFF", 'active = "1", clear = "0"')
    assert edited.outcome["ok"] is True
    assert world.shown("tool/router")["state"] == "unknown"
    assert world.shown("tool/router")["running"] is None
    since = world.clocks.now
    world.say("shop/r", "1")
    world.run(5)
    assert world.commands(since) == []
    assert world.shown("alarm/tool.router.not_fresh")["because"].startswith(
        "The router was already running when first seen (its contact said running)"
    )
    world.say("shop/r", "0")
    world.run(2)
    world.say("shop/r", "1")
    world.run(5)
    assert (BENCH, "open") in world.commands(since)


def test_another_sensor_of_the_motor_waits_until_its_fan_stands(tmp_path: Path) -> None:
    watts = 'power = { topic = "shop/fan/watts" }'
    edited = Edited(tmp_path, SHOP.replace("spin_up = 1", f"{watts}\nspin_up = 1"))
    world = edited.world.rested()
    world.say("shop/fan/watts", "0")
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    world.say("shop/fan/state", "1")
    world.say("shop/fan/watts", "900")
    world.run(1.5)
    edited.edit(watts, 'running = { topic = "shop/fan/air", active = "1", clear = "0" }')
    assert "given other topics while its fan may turn" in edited.outcome["waits_for"][0]
