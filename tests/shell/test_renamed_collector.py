"""A collector that an edit gives another name is the same one by its command topic: its status keeps its past."""

from shell_support import SHOP, World, active_config_of

from gatehand_rules.reshape import Rewired, adopt_shop


def test_a_hold_keeps_its_reason_and_its_time_through_a_rename() -> None:
    world = World().connect()
    world.say("gatehand/collector/main/hold", "filter change")
    world.run(90)
    held = world.shown("collector/main")
    assert held["state"] == "held"
    before, active = world.engine.active, active_config_of(SHOP.replace("[collector.main]", "[collector.cyclone]"))
    rewired = Rewired(renamed={"main": "cyclone"})
    outcome = adopt_shop(before.shop, active.shop, world.engine.state, world.engine.now(), rewired)
    world.engine.swap(active, outcome)
    found = world.shown("collector/cyclone")
    assert {key: found[key] for key in ("state", "since", "because")} == {
        key: held[key] for key in ("state", "since", "because")
    }
    assert world.shown("collector/main") is None


def test_a_new_collector_beside_it_has_no_past() -> None:
    world = World().connect()
    world.say("gatehand/collector/main/hold", "filter change")
    world.run(5)
    second = '\n[collector.second]\ncommand = { topic = "shop/second/set", on = "1", off = "0" }\nmin_open = 0\n'
    gate = '\n[gate.other]\ncollector = "second"\ncommand = { topic = "shop/other/set", open = "1", shut = "0" }\n'
    tool = '\n[tool.lathe]\ngates = ["other"]\ncurrent = { topic = "shop/lathe/amps" }\nstart_amps = 2\n'
    text = SHOP + second + gate + tool
    named = "\n".join(
        line + '\ncollector = "main"' if line.startswith("[gate.") and "other" not in line else line
        for line in text.splitlines()
    )
    before, active = world.engine.active, active_config_of(named)
    world.engine.swap(active, adopt_shop(before.shop, active.shop, world.engine.state, world.engine.now(), Rewired()))
    assert world.shown("collector/main")["state"] == "held"
    assert world.shown("collector/second")["state"] != "held"
