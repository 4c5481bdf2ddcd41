"""The end of the exercise as it is read: the table, what failed, what to set, how to reset."""

import json
import tomllib

from virtual_world import VirtualWorld, at_the_tools, config

from gatehand.exercise import results
from gatehand.simshop.gate import GateTrouble


def test_the_table_has_every_gate_and_tool_with_its_figures() -> None:
    result = VirtualWorld(person=at_the_tools(), daemon="off").go(tools=True)
    text = results.text(result)
    rows = [line.split() for line in text.splitlines() if line.startswith("band saw ")]
    assert " ".join(rows[0][2:]) == "1.20 / 1.20 / 1.20 1.20 / 1.20 / 1.20 1.5 OK"
    assert rows[1][-1] == "OK"
    assert "OK, by eye" in text
    assert "All is well." in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_the_hold_is_left_and_how_to_reset_it_is_printed() -> None:
    text = results.text(VirtualWorld(daemon="off").go())
    assert "The collector main is still on hold. When the shop is ready: gatehand reset main" in text
    assert "nothing was put on hold" in results.text(VirtualWorld().go())


def test_proposals_are_toml_for_the_config() -> None:
    result = VirtualWorld().go()
    assert tomllib.loads(results.proposals(result)) == {
        "gate": {"band_saw": {"travel": 1.5}, "planing": {"travel": 1.5}}
    }
    assert "# measured 1.20 at most; as it is" in results.proposals(result)


def test_what_failed_is_told_by_name_and_decides_the_end() -> None:
    world = VirtualWorld()
    world.shop.gates["band_saw"].suffer(GateTrouble.JAM, 0.0)
    text = results.text(world.go())
    assert "FAILED\n  gate band saw: Nothing was reported on g/band_saw/state" in text
    assert text.endswith("Not all is well.")


def test_programs_get_the_same_facts() -> None:
    result = VirtualWorld(person=at_the_tools(), daemon="off").go(tools=True)
    found = json.loads(json.dumps(results.as_json(result, config())))
    assert found["ok"] is True
    assert found["held"] == {"main": {"reset_topic": "gatehand/collector/main/reset"}}
    saw = found["gates"]["band_saw"]
    assert (saw["opens"]["told"], saw["opens"]["min"], saw["opens"]["max"]) == (5, 1.2, 1.2)
    assert (saw["found"], saw["left"], saw["proposal"]) == ("shut", "shut", 1.5)
    assert found["tools"]["jointer"]["tried"] is True
