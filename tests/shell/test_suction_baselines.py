"""The shop's own suction: taken when somebody asks, kept beyond the daemon's end, void once ducts or names change."""

from pathlib import Path

import pytest
from msgspec import to_builtins
from shell_support import World
from suction_support import PLAIN, SENSOR, WATCHED, alarm, alarms, reads, should, shown, swapped
from support.in_memory import InMemory

from gatehand.shell.ports import Remembered
from gatehand.shell.state_file import FILE, encoded, recall
from gatehand.shell.suction_watch import LEAST


def test_without_ducts_and_baseline_there_is_no_opinion_and_the_log_says_so_once() -> None:
    world = reads(World(PLAIN).cutting(), 9000, 30)
    assert not alarms(world)
    (line,) = world.events("suction_not_judged")
    assert "no ducts" in str(line["why"])
    assert "no ducts" in shown(world)["not_judged"]


def test_a_baseline_is_what_counts_for_its_own_set_of_gates() -> None:
    world = reads(World(PLAIN).cutting(), 1000, 18)
    judged = world.engine.suctions.take_baseline("main")
    assert judged.ok, judged.text
    reads(world, 1000, 20)
    found = shown(world)
    assert (found["expected_by"], found["low"] < 1000 < found["high"]) == ("baseline", True)
    assert not alarms(world)
    reads(world, 500, 25)
    assert "by the baseline of" in alarm(world, "suction_low")["because"]


def test_a_baseline_outlives_the_daemon() -> None:
    memory = InMemory()
    world = reads(World(PLAIN, memory=memory).cutting(), 1000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1000, 5)
    again = reads(World(PLAIN, memory=InMemory(memory.kept)).cutting(), 500, 20)
    assert alarm(again, "suction_low") is not None


@pytest.mark.parametrize(
    ("old", "new"),
    [("length = 14", "length = 20"), ("gate.bench", "gate.sweep"), ('unit = "Pa"', 'unit = "in.w.g."')],
)
def test_other_ducts_or_names_make_a_baseline_void_and_that_is_said(old: str, new: str) -> None:
    memory = InMemory()
    world = reads(World(WATCHED, memory=memory).cutting(), 1000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1000, 5)
    text = WATCHED.replace(old, new)
    text = (
        text.replace('gates = ["bench"]', 'gates = ["sweep"]').replace('gate = "bench"', 'gate = "sweep"')
        if "sweep" in new
        else text
    )
    again = reads(World(text, memory=InMemory(memory.kept)).cutting(), 1, 8)
    (line,) = again.events("suction_baselines_void")
    assert line["baselines"] == 1
    assert shown(again)["void_baselines"] == 1
    assert shown(again)["expected_by"] == "ducts"


def renamed(text: str) -> str:
    return text.replace("collector.main]", "collector.cyclone]").replace("[fan.main]", "[fan.cyclone]")


def test_a_renamed_collector_is_known_by_its_command_topic() -> None:
    text, memory = WATCHED, InMemory()
    world = reads(World(text, memory=memory).cutting(), 1000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1000, 5)
    again = World(renamed(text), memory=(kept := InMemory(memory.kept))).cutting()
    reads(again, 1000, 18)
    assert again.shown("collector/cyclone")["suction"]["expected_by"] == "baseline"
    assert not again.events("suction_baselines_void")
    assert set(kept.kept.baselines) == {"suction/cyclone/band_saw"}
    reads(swapped(again, text), 1000, 3)
    assert set(kept.kept.baselines) == {"suction/main/band_saw"}


def test_a_collector_that_is_given_anothers_name_has_not_its_baselines() -> None:
    memory = InMemory()
    world = reads(World(PLAIN, memory=memory).cutting(), 1000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1000, 5)
    other = '\n[collector.main]\ncommand = { topic = "shop/other/set", on = "1", off = "0" }\n'
    other += f'{SENSOR}[gate.other]\ncommand = {{ topic = "shop/gate/other/set", open = "1", shut = "0" }}\n'
    other += 'collector = "main"\nbutton = { topic = "shop/gate/other/button", pressed = "1" }\n'
    both = renamed(PLAIN).replace("travel = 1\n", 'travel = 1\ncollector = "cyclone"\n') + other.replace("inlet", "in2")
    again = World(both, memory=(kept := InMemory(memory.kept)))
    again.connect()
    for _ in range(4):
        again.engine.beat()
    assert set(kept.kept.baselines) == {"suction/cyclone/band_saw"}


def test_a_baseline_of_an_earlier_version_is_known_by_its_collectors_name() -> None:
    memory = InMemory()
    world = reads(World(PLAIN, memory=memory).cutting(), 1000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1000, 5)
    of_old = {key: to_builtins(one) for key, one in memory.kept.baselines.items()}
    for one in of_old.values():
        del one["command_topic"]
    again = reads(World(PLAIN, memory=InMemory(Remembered(baselines=of_old))).cutting(), 500, 20)
    assert "by the baseline of" in alarm(again, "suction_low")["because"]


@pytest.mark.parametrize("pascals", [0.0, LEAST - 1])
def test_no_suction_is_no_baseline(pascals: float) -> None:
    world = reads(World(PLAIN).cutting(), pascals, 18)
    judged = world.engine.suctions.take_baseline("main")
    assert not judged.ok
    assert "with the fan running" in judged.text
    assert not world.events("suction_baseline_taken")


def test_no_baseline_is_taken_of_what_does_not_settle_or_is_not_known() -> None:
    world = World(WATCHED).cutting()
    ask = world.engine.suctions.take_baseline
    assert "nothing has been heard" in ask("main").text
    reads(world, 1000, 4)
    assert "too short a time" in ask("main").text
    for n in range(20):
        reads(world, 1000 + 400 * (n % 2), 1)
    assert "not settled" in ask("main").text
    world.say("shop/band_saw/amps", "0")
    world.run(20)
    assert "not known to run" in ask("main").text
    assert not world.events("suction_baseline_taken")


def test_without_a_baseline_the_alarm_says_how_to_take_one() -> None:
    world = reads(World(WATCHED).cutting(), should().high + 50, 25)
    assert "gatehand exercise --suction" in alarm(world, "suction_high")["next"]


def test_a_baseline_is_kept_in_the_state_file(tmp_path: Path) -> None:
    memory = InMemory()
    world = reads(World(PLAIN, memory=memory).cutting(), 1000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1000, 5)
    (tmp_path / FILE).write_bytes(encoded(memory.kept))
    kept = recall(tmp_path)
    assert kept.unreadable is None
    again = reads(World(PLAIN, memory=InMemory(kept)).cutting(), 500, 20)
    assert "by the baseline of" in alarm(again, "suction_low")["because"]


def test_what_the_file_keeps_that_is_no_baseline_of_ours_is_left_alone() -> None:
    odd = {"suction/main/band_saw": {"pascals": "much"}, "suction/x": 7, "another": [1]}
    memory = InMemory(Remembered(baselines=odd))
    world = reads(World(PLAIN, memory=memory).cutting(), 1000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 1000, 5)
    assert memory.kept.baselines["another"] == [1]
    assert memory.kept.baselines["suction/x"] == 7


def test_a_new_baseline_is_not_void_and_is_counted_so() -> None:
    memory = InMemory()
    world = reads(World(WATCHED, memory=memory).cutting(), 2000, 18)
    assert world.engine.suctions.take_baseline("main").ok
    reads(world, 2000, 5)
    text = WATCHED.replace("length = 14", "length = 20")
    again = reads(World(text, memory=InMemory(memory.kept)).cutting(), 2000, 18)
    assert shown(again)["void_baselines"] == 1
    assert again.engine.suctions.take_baseline("main").ok
    reads(again, 2000, 3)
    assert "void_baselines" not in shown(again)
    assert shown(again)["expected_by"] == "baseline"
