"""The recording through the rules again: exactly what was done with the config of then, and what another would do."""

import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from support.recorded_shop import MORNING, SHOP, RecordedShop

from gatehand.cli import main
from gatehand.config import load_text
from gatehand.journal.line import facts_of
from gatehand.journal.reader import EventReader
from gatehand.past.recordings import recorded_shop
from gatehand.replay.compare import Comparison, compare
from gatehand.replay.history import replay
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.gate import GateHabits, GateTrouble
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from gatehand.times import EPOCH
from gatehand_rules import Outcome, Shop
from gatehand_rules.findings import Fact

SOFT = {name: ToolHabits(inrush=None) for name in ("band_saw", "router")}
_STAMPS = frozenset({"ts", "run", "seq", "synced", "mono"})
_OF_THE_SHELL = frozenset({"topic", "key", "says", "wanted", "never_heard"})
"""What the log adds where a sensor is called silent: the rules, and so a replay, know no topics."""


def shop_of(text: str) -> Shop:
    shop = load_text(text, Path("config.toml")).shop
    assert shop is not None
    return shop


def random_day(shop: RecordedShop, seed: int, hours: float = 1.0) -> None:
    """Cuts, hands, stops, troubled gates, a lost broker and a full bin, in no order."""
    rng = random.Random(seed)
    end = shop.clocks.now + hours * 3600
    while shop.clocks.now < end:
        match rng.randrange(14):
            case 0:
                shop.say("shop/gate/bench/button", "1")
                shop.run(rng.uniform(1, 40))
                shop.say("shop/gate/bench/button", "1")
            case 1:
                shop.say("shop/estop", "1")
                shop.run(rng.uniform(0.2, 20))
                shop.say("shop/estop", "0")
                shop.say("gatehand/collector/main/reset", "1")
            case 2:
                trouble = rng.choice(list(GateTrouble))
                shop.shop.gates["band_saw"].suffer(trouble, shop.clocks.now)
                shop.cut("band_saw", rng.uniform(1, 20))
                shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
            case 3:
                shop.lose_broker()
                shop.run(rng.uniform(0.1, 20))
                shop.connect()
            case 4:
                shop.say("shop/bin/full", "1")
                shop.cut("router", rng.uniform(1, 20))
                shop.say("shop/bin/full", "0")
            case 5:
                shop.say("shop/band_saw/amps", rng.choice(["nan", "abc", "1e9", "3.3"]), retained=rng.random() < 0.5)
            case 6:
                shop.shop.tools["router"].silence(on=True)
                shop.run(rng.uniform(1, 70))
                shop.shop.tools["router"].silence(on=False)
            case _:
                tool = rng.choice(["band_saw", "router"])
                shop.cut(tool, rng.uniform(0.3, 60), amps=rng.uniform(0.8, 12))
        shop.run(rng.uniform(0, 60))


def logged(shop: RecordedShop) -> list[tuple[int, dict[str, Fact]]]:
    """The decisions as the event log has them, by ms of rule time."""
    found = []
    for line in EventReader(shop.folder).lines():
        if "rule" in line:
            mono = line["mono"]
            assert isinstance(mono, float)
            left_out = _STAMPS | _OF_THE_SHELL if line["rule"] == "silent_after" else _STAMPS
            found.append((round(mono * 1000), {key: line[key] for key in line if key not in left_out}))
    return found


def replayed(shop: RecordedShop) -> list[tuple[int, dict[str, Fact]]]:
    """The decisions as a replay takes them."""
    found: list[tuple[int, dict[str, Fact]]] = []
    wall_ms = round((MORNING - 1000.0) * 1000)

    def hear(ms: int, outcome: Outcome) -> None:
        for finding in outcome.findings:
            line = {str(key): json.loads(json.dumps(value)) for key, value in facts_of(finding).items()}
            found.append((ms - wall_ms, line))

    history = replay(shop.folder, hear)
    assert not history.troubles
    return found


SAW_BY_WATTS = (
    'current = { topic = "shop/band_saw/amps" }\nstart_amps = 2.5',
    'power = { topic = "shop/band_saw/watts", pointer = "/power" }\nstart_watts = 2.5',
)
ROUTER_BY_CONTACT = (
    'current = { topic = "shop/router/amps" }\nstart_amps = 2',
    'running = { topic = "shop/router/on", active = "ON", clear = "OFF" }',
)
_FAN = 'current = { topic = "shop/fan/amps" }'
_FAN_BY_WATTS = (_FAN, 'power = { topic = "shop/fan/watts" }\nrunning_watts = 900')
_FAN_BY_CONTACT = (_FAN, 'running = { topic = "shop/fan/air", active = "1", clear = "0" }')


@pytest.mark.parametrize(
    ("seed", "edits"),
    [
        (0, ()),
        (1, (SAW_BY_WATTS, _FAN_BY_WATTS)),
        (2, (ROUTER_BY_CONTACT, _FAN_BY_CONTACT)),
        (14, (SAW_BY_WATTS, ROUTER_BY_CONTACT)),
    ],
)
def test_replayed_decisions_of_a_random_day_are_the_logged_ones_to_the_millisecond(
    tmp_path: Path, seed: int, edits: tuple[tuple[str, str], ...]
) -> None:
    """Across files, restarts of the daemon and its late timers: every finding, so every command, with its numbers."""
    text = SHOP.replace("bin_full =", f"starts_per_hour = 6\nmax_open = 2\n{_FAN}\nbin_full =")
    for edit in edits:
        assert edit[0] in text
        text = text.replace(*edit)
    habits = Habits(tools={"band_saw": ToolHabits(), "router": ToolHabits(inrush=None)})
    shop = RecordedShop(tmp_path, text, habits=habits).begin()
    random_day(shop, seed, 0.6)
    shop.end()
    shop.run(5, alive=False)
    shop.begin()
    random_day(shop, seed + 100, 0.6)
    shop.end()
    decided = logged(shop)
    assert len(decided) > 200
    assert sum(line["event"] == "collector_on" for _, line in decided) > 5
    assert replayed(shop) == decided


def test_the_same_config_differs_in_nothing(tmp_path: Path) -> None:
    shop = RecordedShop(tmp_path).begin()
    random_day(shop, 7)
    shop.end()
    found = compare(shop.folder, shop_of(SHOP), None, None)
    assert len(found.recorded.events) > 200
    assert found.differences() == []
    assert [row for row in found.figures() if row.recorded != row.changed] == []


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> RecordedShop:
    """Two good cuts of the band saw, one under its threshold, and one of the router."""
    shop = RecordedShop(tmp_path_factory.mktemp("morning"), habits=Habits(tools=SOFT)).begin()
    shop.run(5)
    shop.cut("band_saw", 20, amps=5, then=15)
    shop.cut("band_saw", 20, amps=2.2, then=40)
    shop.cut("band_saw", 30, amps=6, then=4)
    shop.cut("band_saw", 10, amps=6, then=40)
    shop.cut("router", 12, amps=4, then=30)
    shop.end()
    return shop


def changed(shop: RecordedShop, *edits: tuple[str, str]) -> Comparison:
    text = SHOP
    for before, after in edits:
        assert before in text
        text = text.replace(before, after)
    return compare(shop.folder, shop_of(text), None, None)


def row(found: Comparison, what: str) -> tuple[float, float, str]:
    return next((row.recorded, row.changed, row.note) for row in found.figures() if row.what == what)


def test_a_lower_threshold_gains_the_missed_cut(morning: RecordedShop) -> None:
    found = changed(morning, ("start_amps = 2.5", "start_amps = 2.0"))
    assert row(found, "band_saw: starts") == (3, 4, "1 gained")
    assert row(found, "starts missed")[:2] == (1, 0)
    before, after, _ = row(found, "band_saw: minutes running")
    assert (after - before) * 60 == pytest.approx(20, abs=0.2)


def test_a_higher_threshold_loses_cuts(morning: RecordedShop) -> None:
    found = changed(morning, ("start_amps = 2.5", "start_amps = 5.5"))
    assert row(found, "band_saw: starts") == (3, 2, "1 lost")


def test_a_shorter_run_on_costs_a_start_and_spares_minutes(morning: RecordedShop) -> None:
    """[calc] The pause of 4 s is no longer bridged: one start more, and run-ons of 3 x 2 s instead of 4 + 2 x 10."""
    found = changed(morning, ("run_on = 10", "run_on = 2"))
    assert row(found, "band_saw: starts")[:2] == (3, 3)
    assert row(found, "main: starts")[:2] == (3, 4)
    before, after, _ = row(found, "main: minutes on")
    assert (before - after) * 60 == pytest.approx(4 + 20 - 3 * 2, abs=0.35)


def test_a_gate_out_of_step_takes_the_time_it_usually_takes(morning: RecordedShop) -> None:
    """The gained cut has no recorded answer of the gate: it opens after its usual 0.92 s, not after `travel`."""
    found = changed(morning, ("start_amps = 2.5", "start_amps = 2.0"))
    told = [one for one in found.differences() if one.changed and one.line.get("gate") == "band_saw"]
    opened = [one.line.get("took") for one in told if one.line["event"] == "gate_open"]
    assert opened == [] or opened == [pytest.approx(0.92, abs=0.03)]
    missed = [one for one in found.differences() if one.line["event"] == "start_missed"]
    assert [one.changed for one in missed] == [False]


def test_a_tool_that_is_gone_from_the_config_is_not_played(morning: RecordedShop) -> None:
    text = SHOP[: SHOP.index("[gate.router]")] + SHOP[SHOP.index("[tool.band_saw]") : SHOP.index("[tool.router]")]
    found = compare(morning.folder, shop_of(text), None, None)
    assert row(found, "router: starts") == (1, 0, "1 lost")
    assert row(found, "band_saw: starts")[:2] == (3, 3)


@pytest.mark.parametrize(("edit", "says"), [(SAW_BY_WATTS, "watts"), (ROUTER_BY_CONTACT, "running")])
def test_what_was_read_of_a_tool_says_nothing_to_a_config_by_which_its_sensor_measures_something_else(
    morning: RecordedShop, edit: tuple[str, str], says: str
) -> None:
    """5 A are no 5 W, though above 2.5 either way; and that nothing is known of it is not called silence."""
    tool, other, count, kept = ("band_saw", "router", 3, 1) if says == "watts" else ("router", "band_saw", 1, 3)
    found = changed(morning, edit)
    assert row(found, f"{tool}: starts") == (count, 0, f"{count} lost")
    assert row(found, f"{other}: starts")[:2] == (kept, kept)
    assert found.history.troubles == [f"readings of {tool} recorded as amps: by this config its sensor says {says}"]
    assert not [line for _, line in found.changed.events if line["event"] == "tool_silent"]


def test_a_retained_reading_of_another_measure_is_none_in_the_changed_run(tmp_path: Path) -> None:
    shop = RecordedShop(tmp_path, habits=Habits(tools=SOFT)).begin()
    shop.run(5)
    shop.say("shop/band_saw/amps", "9.5", retained=True)
    shop.run(5)
    shop.end()
    found = changed(shop, SAW_BY_WATTS)
    told = [line["event"] for _, line in found.recorded.events if line.get("tool") == "band_saw"]
    assert told == ["reading_rejected"]
    assert [line for _, line in found.changed.events if line.get("tool") == "band_saw"] == []


@pytest.mark.parametrize("fan", [_FAN_BY_WATTS, _FAN_BY_CONTACT])
@pytest.mark.parametrize("recorded", ["by amps", "unseen"])
def test_a_motors_new_sensor_answers_in_the_changed_run(tmp_path: Path, fan: tuple[str, str], recorded: str) -> None:
    """What the old one read is no watts (6 A would be a motor that stands), nor was there any before."""
    text = SHOP.replace("bin_full =", f"{_FAN}\nbin_full =")
    habits = Habits(tools=SOFT, collectors={"main": CollectorHabits(every=1.0)})
    shop = RecordedShop(tmp_path, text if recorded == "by amps" else SHOP, habits=habits).begin()
    shop.run(5)
    shop.cut("band_saw", 40, amps=5, then=60)
    shop.cut("band_saw", 10, amps=5, then=60)
    shop.end()
    found = compare(shop.folder, shop_of(text.replace(*fan)), None, None)
    assert row(found, "main: starts")[:2] == (2, 2)
    events = [line["event"] for _, line in found.changed.events]
    assert "collector_unanswered" not in events
    assert events.count("collector_running") == 2
    before, after, _ = row(found, "main: minutes on")
    assert after == pytest.approx(before, abs=0.02)


def troubled(folder: Path, trouble: GateTrouble, late_by: float = 5.0) -> RecordedShop:
    gates = {"band_saw": GateHabits(late_by=late_by)}
    shop = RecordedShop(folder, habits=Habits(tools=SOFT, gates=gates)).begin()
    shop.run(5)
    shop.shop.gates["band_saw"].suffer(trouble, shop.clocks.now)
    shop.cut("band_saw", 20, amps=5, then=60)
    shop.end()
    return shop


def test_a_late_report_counts_at_its_own_time_under_a_longer_travel(tmp_path: Path) -> None:
    """It reports 3.9 s after its command: travel 1.5 s and one retry end in fault at 3 s, travel 4.5 s does not."""
    shop = troubled(tmp_path, GateTrouble.LATE, late_by=3.0)
    found = changed(shop, ("travel = 1.5\nretries = 1", "travel = 4.5\nretries = 1"))
    assert row(found, "gate faults")[:2] == (2, 0), "told to open, and later to shut"
    opened = [one.line for one in found.differences() if one.changed and one.line["event"] == "gate_open"]
    recorded = [line for _, line in found.recorded.events if line["event"] == "gate_open"]
    assert not opened or opened[0]["took"] == recorded[0]["took"]
    assert any(line["event"] == "collector_on" for _, line in found.changed.events)


def test_a_jammed_gate_jams_in_the_changed_run_too(tmp_path: Path) -> None:
    shop = troubled(tmp_path, GateTrouble.JAM)
    found = changed(shop, ("run_on = 10", "run_on = 20"), ("retries = 1", "retries = 2"))
    assert row(found, "gate faults")[:2] == (1, 1)
    assert row(found, "main: starts")[:2] == (0, 0)


def test_recorded_currents_of_the_collector_count_only_while_both_runs_told_it_the_same(tmp_path: Path) -> None:
    text = SHOP.replace("bin_full =", 'current = { topic = "shop/fan/amps" }\nbin_full =')
    habits = Habits(tools=SOFT, collectors={"main": CollectorHabits(every=1.0)})
    shop = RecordedShop(tmp_path, text, habits=habits).begin()
    shop.run(5)
    shop.cut("band_saw", 10, amps=5, then=60)
    shop.cut("band_saw", 10, amps=5, then=60)
    shop.end()
    found = compare(shop.folder, shop_of(text.replace("run_on = 10", "run_on = 40")), None, None)
    unanswered = [line for _, line in found.changed.events if line["event"] == "collector_unanswered"]
    assert unanswered == [], "the recorded fan stood while the changed one was switched on"
    before, after, _ = row(found, "main: minutes on")
    assert (after - before) * 60 == pytest.approx(60, abs=1)


def test_a_daemons_start_takes_the_recorded_state_again(tmp_path: Path) -> None:
    shop = RecordedShop(tmp_path, habits=Habits(tools=SOFT)).begin()
    shop.cut("band_saw", 10, amps=5, then=5)
    shop.close()
    shop.run(30, alive=False)
    shop.begin()
    shop.cut("band_saw", 10, amps=5, then=60)
    shop.end()
    found = changed(shop, ("run_on = 10", "run_on = 12"))
    assert found.history.files == 2
    assert found.history.gaps == 1
    assert row(found, "band_saw: starts")[:2] == (2, 2)


def test_a_spoilt_file_is_reported_and_the_rest_replayed(morning: RecordedShop, tmp_path: Path) -> None:
    for path in morning.folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "readings-000000.rec").write_bytes(b"nonsense")
    found = compare(tmp_path, shop_of(SHOP), None, None)
    assert found.history.files == 1
    (trouble,) = found.history.troubles
    assert "readings-000000.rec" in trouble


def test_a_window_hears_only_what_lies_in_it(morning: RecordedShop) -> None:
    start = datetime.fromtimestamp(MORNING, UTC)
    found = compare(morning.folder, shop_of(SHOP), start + timedelta(seconds=90), start + timedelta(seconds=150))
    times = [EPOCH + timedelta(milliseconds=ms) for ms, _ in found.recorded.events]
    assert times
    assert all(start + timedelta(seconds=90) <= time < start + timedelta(seconds=150) for time in times)
    assert found.differences() == []


# The command


def replay_command(shop: RecordedShop, tmp_path: Path, *args: str, start_amps: str = "2.0") -> int:
    new = tmp_path / "new.toml"
    new.write_text(SHOP.replace("start_amps = 2.5", f"start_amps = {start_amps}"), "utf-8")
    return main(["replay", "--config", str(new), "--log", str(shop.folder), *args])


def test_the_command_prints_the_table(
    morning: RecordedShop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay_command(morning, tmp_path) == 0
    said = capsys.readouterr().out
    assert "band_saw: starts                              3          4         +1  1 gained" in said
    assert "starts missed                                 1          0         -1" in said


def test_the_command_tells_event_by_event(
    morning: RecordedShop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay_command(morning, tmp_path, "--diff") == 0
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("+ ") and "band saw started: 2.2" in line for line in lines)
    assert any(line.startswith("- ") and "below its start_amps of 2.5 A" in line for line in lines)


def test_json_has_the_rows_and_the_events(
    morning: RecordedShop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay_command(morning, tmp_path, "--diff", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    rows = {one["what"]: one for one in found["rows"]}
    assert rows["band_saw: starts"] == {"what": "band_saw: starts", "recorded": 3, "changed": 4, "note": "1 gained"}
    assert {one["only"] for one in found["events"]} == {"recorded", "changed"}
    assert found["events"][0]["ts"].endswith("Z")


def test_without_a_recording_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    config.write_text(SHOP, "utf-8")
    assert main(["replay", "--config", str(config)]) == 1
    assert "no recording; let the daemon run" in capsys.readouterr().err


def test_a_time_outside_says_when_the_recording_begins(
    morning: RecordedShop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay_command(morning, tmp_path, "--to", "2026-01-01") == 1
    assert "nothing recorded in that time; the recording begins at 2026-03-05" in capsys.readouterr().err


def test_a_time_that_is_none_is_wrong_usage(
    morning: RecordedShop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert replay_command(morning, tmp_path, "--from", "soonish") == 2
    assert "'soonish' is not a time" in capsys.readouterr().err


def test_a_recording_is_played_without_the_files_that_its_config_names(tmp_path: Path) -> None:
    text = f'[broker]\nusername = "gatehand"\npassword_file = "broker.password"\n\n{SHOP}'
    assert load_text(text, tmp_path / "config.toml").shop is None
    assert recorded_shop(text, tmp_path / "readings-000001.rec") == shop_of(SHOP)
