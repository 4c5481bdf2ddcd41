"""Recordings of amps, watts and contacts: they replay to the decisions of then, and none is read in another unit."""

import json
import random
from array import array
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from support.recorded_shop import MORNING, RecordedShop
from test_replay_recording import logged, replayed, shop_of

from gatehand.past.recordings import from_recording, readings_of
from gatehand.recording.format import decode_event, encode_event
from gatehand.replay.compare import Comparison, compare
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from gatehand_rules import events as ev
from gatehand_rules.words import Measure

SHOP = """\
[log]
folder = "log"

[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
power = { topic = "shop/fan/plug", pointer = "/power" }
running_watts = 300
spin_up = 2
coast_down = 6

[collector.shed]
command = { topic = "shop/shed/set", on = "1", off = "0" }
running = { topic = "shop/shed/air", active = "1", clear = "0" }
spin_up = 2
coast_down = 6

[gate.band_saw]
collector = "main"
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }

[gate.router]
collector = "main"
command = { topic = "shop/gate/router/set", open = "open", shut = "shut" }

[gate.lathe]
collector = "shed"
command = { topic = "shop/gate/lathe/set", open = "open", shut = "shut" }

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5

[tool.router]
gates = ["router"]
power = { topic = "shop/router/plug", pointer = "/kw", scale = 1000, at = "/t" }
start_watts = 180
start_after = 0.5
run_on = 4

[tool.lathe]
gates = ["lathe"]
running = { topic = "shop/lathe/on", active = "1", clear = "0", poll = { topic = "shop/lathe/get", payload = "?" } }
start_after = 0.5
"""
WORK = {"band_saw": (0.8, 12.0), "router": (60.0, 1800.0), "lathe": (1.0, 1.0)}


def day(shop: RecordedShop, seed: int, cuts: int) -> None:
    rng = random.Random(seed)
    for _ in range(cuts):
        match rng.randrange(8):
            case 0:
                shop.lose_broker()
                shop.run(rng.uniform(0.1, 20))
                shop.connect()
            case 1:
                shop.say("shop/lathe/on", rng.choice(("2", "", "on", "1", "0")), retained=rng.random() < 0.5)
            case 2:
                shop.say("shop/router/plug", rng.choice(("{}", '{"kw": 1e9, "t": 1}', '{"kw": "much"}')))
            case _:
                tool = rng.choice(tuple(WORK))
                shop.cut(tool, rng.uniform(0.2, 40), amps=rng.uniform(*WORK[tool]))
        shop.run(rng.uniform(0, 40))


@pytest.mark.parametrize("seed", [3, 8])
def test_a_day_of_all_three_replays_to_the_decisions_of_then(tmp_path: Path, seed: int) -> None:
    shop = RecordedShop(tmp_path, SHOP).begin()
    day(shop, seed, 24)
    shop.end()
    shop.run(5, alive=False)
    shop.begin()
    day(shop, seed + 100, 10)
    shop.end()
    decided = logged(shop)
    started = {line["tool"] for _, line in decided if line["event"] == "tool_started"}
    assert started == {"band_saw", "router", "lathe"}
    assert sum(line["event"] == "collector_on" for _, line in decided) > 5
    facts = {key for _, line in decided for key in line}
    assert {"amps", "watts", "running", "start_watts", "stop_watts", "start_amps"} <= facts
    assert not {"start_running", "stop_running"} & facts
    assert replayed(shop) == decided


@pytest.fixture(scope="module")
def changed(tmp_path_factory: pytest.TempPathFactory) -> tuple[RecordedShop, Comparison]:
    """A day with the router by its watts; then a clamp takes the place of its meter."""
    shop = RecordedShop(tmp_path_factory.mktemp("signals"), SHOP, habits=Habits(tools={"router": ToolHabits()})).begin()
    day(shop, 5, 20)
    shop.end()
    other = SHOP.replace('power = { topic = "shop/router/plug", pointer = "/kw", scale = 1000, at = "/t" }', CLAMP)
    other = other.replace("start_watts = 180", "start_amps = 1.5")
    return shop, compare(shop.folder, shop_of(other), None, None)


OTHERWISE = "readings of router recorded as watts: by this config its sensor says amps"
CLAMP = 'current = { topic = "shop/router/amps" }'


def test_what_was_recorded_in_watts_is_not_compared_with_amps(changed: tuple[RecordedShop, Comparison]) -> None:
    """1,200 W would be 1,200 A: nothing is heard of that tool, and it is said; the others go on as they were."""
    _, found = changed
    assert found.history.troubles == [OTHERWISE]
    assert found.recorded.account.tools["router"].starts > 0
    assert "router" not in found.changed.account.tools
    told = {line["event"] for _, line in found.changed.events if line.get("tool") == "router"}
    assert told <= {"reading_rejected"}, "neither called silent nor refused for drawing 3.8 A at rest"
    for tool in ("band_saw", "lathe"):
        assert found.changed.account.tools[tool].starts == found.recorded.account.tools[tool].starts > 0


def test_a_motor_with_another_sensor_is_answered_for_by_an_ideal_one(tmp_path: Path) -> None:
    """What its contact said, 1 for turning, would be 1 A: below the 2 A at which it turns."""
    shop = RecordedShop(tmp_path, SHOP).begin()
    day(shop, 5, 20)
    shop.end()
    air = 'running = { topic = "shop/shed/air", active = "1", clear = "0" }'
    found = compare(shop.folder, shop_of(SHOP.replace(air, 'current = { topic = "shop/shed/amps" }')), None, None)
    assert found.history.troubles == []
    assert not any(line["event"] == "collector_unanswered" for _, line in found.changed.events)
    on = [len(side.account.switched_on["shed"]) for side in (found.recorded, found.changed)]
    assert on[0] == on[1] > 0


def test_tune_and_why_read_no_watts_as_amps(changed: tuple[RecordedShop, Comparison]) -> None:
    shop, _ = changed
    start = datetime.fromtimestamp(MORNING, UTC)
    until = start + timedelta(hours=1)
    tools = {"router": Measure.WATTS, "band_saw": Measure.AMPS}
    found = from_recording(shop.folder, tools, start, until, lambda _count: None)
    assert max(max(piece.track.ma) for piece in found.pieces["router"]) > 180_000
    assert found.troubles == []
    found = from_recording(shop.folder, tools | {"router": Measure.AMPS}, start, until, lambda _count: None)
    assert set(found.pieces) == {"band_saw"}
    assert found.troubles == [OTHERWISE]
    window = round(start.timestamp() * 1000), round(until.timestamp() * 1000)
    assert readings_of(shop.folder, "router", Measure.WATTS, *window)
    assert readings_of(shop.folder, "router", Measure.AMPS, *window) == []


def test_a_contact_is_recorded_as_ones_and_noughts(changed: tuple[RecordedShop, Comparison]) -> None:
    shop, _ = changed
    window = (round(MORNING * 1000), round(MORNING * 1000) + 3_600_000)
    seen = array("i")
    for track in readings_of(shop.folder, "lathe", Measure.RUNNING, *window):
        seen.extend(track.ma)
    assert set(seen) == {0, 1000}


def test_readings_are_written_under_the_names_of_always() -> None:
    """A recording of an older version is read, and an older version could read this one's readings."""
    old = (
        (b'{"type":"Reading","tool":"saw","amps":6.4,"retained":true,"young":false}', ev.Reading("saw", 6.4, True)),
        (
            b'{"type":"CollectorCurrent","collector":"main","amps":8.1,"retained":true}',
            ev.CollectorReading("main", 8.1, True),
        ),
        (
            b'{"CollectorCurrent":{"collector":"main","amps":8.1,"retained":true}}',
            ev.CollectorReading("main", 8.1, True),
        ),
    )
    for raw, event in old:
        assert decode_event(raw) == event
        if b'"type"' in raw:
            assert json.loads(encode_event(event)) == json.loads(raw)
