"""`gatehand tune` on the command line: tables, JSON, picture, and the config rewritten with its comments kept."""

import csv
import json
import tomllib
from pathlib import Path

import pytest
from support.recorded_shop import RecordedShop
from tune_support import cuts, on_change, track

from gatehand.cli import main
from gatehand.config import load, load_text
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from gatehand.tune.config_edit import NoEditError, difference, edited, needed

CONFIG = """\
# The instrument maker's shop.
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }   # by the door

[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }

[gate.router]
command = { topic = "shop/gate/router/set", open = "open", shut = "shut" }

[tool.band_saw]              # resaws ribs
gates   = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5             # guessed in March
run_on  = "10 s"             # so that the dust is out

# The router ends its own job.
[tool.router]
gates   = ["router"]
current = { topic = "shop/router/amps" }
start_amps = 2
run_on  = 0
"""


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    config = tmp_path / "config.toml"
    config.write_text(CONFIG, "utf-8")
    readings = track(cuts(20, rest=8), noise=0.01)
    with (tmp_path / "log.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(("t_s", "tool", "amps"))
        rows.writerows((ms / 1000, "band_saw", ma / 1000) for ms, ma in zip(readings.ms, readings.ma, strict=True))
    return tmp_path


def tune(shop: Path, *args: str) -> int:
    return main(["tune", *args, "--config", str(shop / "config.toml"), "--readings", str(shop / "log.csv")])


def test_it_prints_levels_proposals_and_the_run_on_table(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert tune(shop, "band_saw") == 0
    said = capsys.readouterr().out
    assert "rest     0.10 A" in said
    assert "work     8.00 A" in said
    assert "counts as rest, more as work (there the two lie furthest apart)" in said
    assert "20 cuts, 19 pauses" in said
    assert "now" in said
    assert "proposed" in said


def test_json_gives_the_same_facts(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert tune(shop, "--json") == 0
    saw, router = json.loads(capsys.readouterr().out)
    assert saw["tool"] == "band_saw"
    assert saw["cuts"] == 20
    assert saw["rest"]["high"] < saw["proposed"]["stop_amps"] < saw["proposed"]["start_amps"] < saw["work"]["low"]
    unread: dict[str, object] = {"measure": "amps", "readings": 0, "hours": 0.0, "rhythm": None, "about_meter": []}
    assert router == {"tool": "router", **unread, "too_short": "there is no reading of it"}
    assert saw["rhythm"]["steady"]


def test_a_tool_without_readings_is_too_short_to_tell_and_exits_1(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert tune(shop, "router") == 1
    assert "too short to tell: there is no reading of it" in capsys.readouterr().out


def test_a_tool_that_is_not_there_is_wrong_usage(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert tune(shop, "bandsaw") == 2
    assert "there is no tool 'bandsaw'; did you mean band_saw?" in capsys.readouterr().err


def test_without_a_recording_it_says_what_to_do(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tune", "--config", str(shop / "config.toml")]) == 1
    assert "no recording yet; let the daemon run" in capsys.readouterr().err


def test_the_picture_is_one_svg_file_that_shows_the_thresholds(shop: Path) -> None:
    assert tune(shop, "band_saw", "--plot", str(shop / "saw.svg")) == 0
    drawn = (shop / "saw.svg").read_text("utf-8")
    assert drawn.startswith("<svg")
    assert "start_amps = " in drawn
    assert "http" not in drawn.replace("http://www.w3.org/2000/svg", ""), "it fetches nothing"


def test_write_shows_the_difference_and_keeps_comments_and_layout(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (shop / "config.toml").read_text("utf-8")
    assert tune(shop, "--write", "--yes") == 0
    shown = capsys.readouterr().err
    after = (shop / "config.toml").read_text("utf-8")
    assert "-start_amps = 2.5             # guessed in March" in shown
    for line in before.splitlines():
        comment = line.partition("#")[2]
        assert comment in after
    tool = load(shop / "config.toml").config
    assert tool is not None
    assert tool.tool["band_saw"].start_amps != 2.5
    assert tool.tool["band_saw"].stop_at < tool.tool["band_saw"].start_at
    assert tool.tool["router"].start_amps == 2, "nothing was recorded of it"
    unchanged = [line for line in before.splitlines() if "start_amps" not in line and "run_on" not in line]
    assert [line for line in after.splitlines() if line in unchanged] == unchanged


def test_write_asks_nobody_when_nobody_is_there(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (shop / "config.toml").read_text("utf-8")
    assert tune(shop, "--write") == 1
    assert "nobody here to ask: give --yes to write" in capsys.readouterr().err
    assert (shop / "config.toml").read_text("utf-8") == before


def test_writing_twice_changes_nothing_the_second_time(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert tune(shop, "--write", "--yes") == 0
    once = (shop / "config.toml").read_bytes()
    assert tune(shop, "--write", "--yes") == 0
    assert "nothing to change" in capsys.readouterr().err
    assert (shop / "config.toml").read_bytes() == once


def test_a_duration_written_as_text_stays_when_it_says_the_same() -> None:
    assert edited(CONFIG, {"band_saw": {"run_on": 10.0}}) == CONFIG
    changed = difference(CONFIG, edited(CONFIG, {"band_saw": {"run_on": 15.0}}), Path("c.toml"))
    assert '-run_on  = "10 s"             # so that the dust is out' in changed
    assert "+run_on  = 15             # so that the dust is out" in changed


def test_a_new_key_goes_to_its_tool_and_not_behind_the_next_ones_comment() -> None:
    after = edited(CONFIG, {"band_saw": {"start_after": 0.3}})
    assert after.index("start_after = 0.3") < after.index("# The router ends its own job.")


BY_WATTS = """\
[tool.router]
gates = ["router"]
power = { topic = "shop/router/w" }   # the plug by the bench
start_watts = 250            # guessed
# The sander's own contactor.
[tool.sander]
  gates = ["sander"]
  running = { topic = "shop/sander/on", active = "1", clear = "0" }   # inside its box
  # as the maker says
  run_on = 5
"""


def test_settings_go_to_the_keys_of_the_tools_own_sensor() -> None:
    after = edited(BY_WATTS, {"router": {"start_watts": 120.0, "stop_watts": 84.5}, "sander": {"start_after": 0.35}})
    assert after == BY_WATTS.replace(
        "start_watts = 250            # guessed\n", "start_watts = 120            # guessed\nstop_watts = 84.5\n"
    ).replace("# inside its box\n", "# inside its box\n  start_after = 0.35\n")


def test_a_sensor_in_a_table_of_its_own_is_no_obstacle() -> None:
    text = """[tool.sander]
gates = ["sander"]
[tool.sander.running]
topic = "shop/sander/on"
active = "1"
clear = "0"
"""
    after = edited(text, {"sander": {"start_after": 0.35}})
    assert tomllib.loads(after)["tool"]["sander"]["start_after"] == 0.35
    assert tomllib.loads(after)["tool"]["sander"]["running"] == {"topic": "shop/sander/on", "active": "1", "clear": "0"}


def of_each_kind(place: Path) -> Path:
    """A config and a logger's file of a tool of each kind."""
    config = CONFIG.replace(
        "[tool.band_saw]  ", '[gate.sander]\ncommand = { topic = "s", open = "1", shut = "0" }\n[tool.band_saw]  '
    )
    config = config[: config.index("# The router")] + BY_WATTS
    (place / "config.toml").write_text(config, "utf-8")
    parts = cuts(12, rest=20)
    rows = []
    for tool, readings, under in (
        ("band_saw", track(parts, noise=0.01), "{},,"),
        ("router", track([(s, 60 * a) for s, a in parts], noise=1.0), ",{},"),
        ("sander", on_change([(s, float(a > 1)) for s, a in parts]), ",,{}"),
    ):
        rows += [
            (ms / 1000, f"{ms / 1000},{tool},{under.format(value / 1000)}\n")
            for ms, value in zip(readings.ms, readings.ma, strict=True)
        ]
    lines = "".join(line for _, line in sorted(rows))
    (place / "log.csv").write_text("t_s,tool,amps,watts,running\n" + lines, "utf-8")
    return place


def test_tools_of_each_kind_are_tuned_drawn_and_written_together(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = of_each_kind(tmp_path)
    assert tune(shop, "--json", "--plot", str(shop / "all.svg"), "--write", "--yes") == 0
    told = capsys.readouterr()
    saw, router, sander = json.loads(told.out)
    assert [one["measure"] for one in (saw, router, sander)] == ["amps", "watts", "running"]
    assert [one["cuts"] for one in (saw, router, sander)] == [12, 12, 12]
    written = load(shop / "config.toml").config
    assert written is not None
    assert written.tool["band_saw"].start_amps == saw["proposed"]["start_amps"]
    assert written.tool["router"].start_watts == router["proposed"]["start_watts"]
    assert written.tool["router"].stop_watts == router["proposed"]["stop_watts"]
    assert written.tool["sander"].start_after == sander["proposed"]["start_after"]
    assert written.tool["sander"].run_on == sander["proposed"]["run_on"] == 20
    drawn = (shop / "all.svg").read_text("utf-8")
    for words in ("time at each current", "time at each power", ">W<", ">A<", "start_watts = ", "it has no thresholds"):
        assert words in drawn, words


def test_what_was_recorded_by_another_sensor_is_left_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The clamp went and a plug with a meter came: what was read in ampere is no watts."""
    habits = Habits(tools={"band_saw": ToolHabits(inrush=None, idle=0.1, every=1.0)})
    shop = RecordedShop(tmp_path, habits=habits).begin()
    for _ in range(4):
        shop.cut("band_saw", 30, amps=6.0, then=45)
    shop.end()
    text = shop.config.read_text("utf-8")
    shop.config.write_text(
        text.replace(
            'current = { topic = "shop/band_saw/amps" }\nstart_amps = 2.5',
            'power = { topic = "shop/band_saw/watts" }\nstart_watts = 250',
        ),
        "utf-8",
    )
    assert main(["tune", "--config", str(shop.config), "band_saw"]) == 1
    told = capsys.readouterr()
    assert "left out: readings of band_saw recorded as amps: by this config its sensor says watts" in told.err
    assert "too short to tell: there is no reading of it" in told.out


def test_a_tool_without_a_table_is_refused() -> None:
    with pytest.raises(NoEditError, match=r"there is no \[tool\.lathe\]"):
        edited(CONFIG, {"lathe": {"start_amps": 3}})


def test_it_reads_the_daemons_own_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two mornings of cuts at 6 A over a rest of 0.1 A, recorded by the real recorder."""
    habits = Habits(tools={"band_saw": ToolHabits(inrush=None, idle=0.1, every=1.0)})
    shop = RecordedShop(tmp_path, habits=habits).begin()
    for _ in range(12):
        shop.cut("band_saw", 30, amps=6.0, then=45)
    shop.end()
    shop.run(60, alive=False)
    shop.begin()
    for _ in range(3):
        shop.cut("band_saw", 30, amps=6.0, then=45)
    shop.end()
    assert main(["tune", "band_saw", "--config", str(shop.config), "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)
    assert found["cuts"] == 15
    assert found["rest"]["middle"] == pytest.approx(0.1, abs=0.01)
    assert found["work"]["middle"] == pytest.approx(6.0, abs=0.1)
    assert 0.1 < found["proposed"]["stop_amps"] < found["proposed"]["start_amps"] < 6.0
    assert found["proposed"]["run_on"] in {45.0, 60.0}, "pauses of 45 s are worth bridging at a minute each"


# --- what is so by default is not written


def test_what_is_so_by_default_is_not_written_and_told(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert tune(shop, "band_saw", "--write", "--yes") == 0
    told = capsys.readouterr().err
    assert "band_saw: start_after and stop_after not written: the defaults already say so\n" in told
    assert [line for line in told.splitlines() if line.startswith("+") and not line.startswith("+++")] == [
        "+start_amps = 2.9             # guessed in March",
        "+stop_amps = 1.1",
    ]
    before = CONFIG.replace("start_amps = 2.5  ", "start_amps = 2.9  ")
    assert (shop / "config.toml").read_text("utf-8") == before.replace("in March\n", "in March\nstop_amps = 1.1\n")


KNOWN = '[tool.saw]\ncurrent = { topic = "a" }\nstart_amps = 3\n'


@pytest.mark.parametrize(
    ("settings", "written"),
    [
        ({"start_amps": 4.0, "stop_amps": 2.8}, {"start_amps": 4.0}),
        ({"start_amps": 4.0, "stop_amps": 2.85}, {"start_amps": 4.0, "stop_amps": 2.85}),
        ({"start_amps": 0.65, "stop_amps": 0.45}, {"start_amps": 0.65}),  # 0.455 by default, rounded as a proposal is
        ({"start_amps": 0.65, "stop_amps": 0.4}, {"start_amps": 0.65, "stop_amps": 0.4}),
        ({"start_after": 0.0, "stop_after": 0.0, "run_on": 10.0}, {}),
        (
            {"start_after": 0.3, "stop_after": 0.5, "run_on": 0.0},
            {"start_after": 0.3, "stop_after": 0.5, "run_on": 0.0},
        ),
        ({"start_watts": 250.0, "stop_watts": 175.0}, {"start_watts": 250.0}),
        ({"start_watts": 250.0, "stop_watts": 180.0}, {"start_watts": 250.0, "stop_watts": 180.0}),
    ],
)
def test_only_what_differs_from_its_default_is_needed(settings: dict[str, float], written: dict[str, float]) -> None:
    assert needed(KNOWN, {"saw": settings}) == {"saw": written}


def test_a_key_that_the_owner_wrote_is_kept_and_set_also_to_its_default() -> None:
    text = KNOWN + "stop_amps = 1 # mine\nrun_on = 5\nstart_after = 0\n"
    values = {"start_amps": 4.0, "stop_amps": 2.8, "start_after": 0.0, "stop_after": 0.0, "run_on": 10.0}
    left = needed(text, {"saw": values})
    assert left == {"saw": {key: value for key, value in values.items() if key != "stop_after"}}
    assert edited(text, left) == (
        '[tool.saw]\ncurrent = { topic = "a" }\nstart_amps = 4\nstop_amps = 2.8 # mine\nrun_on = 10\nstart_after = 0\n'
    )


def test_the_config_says_the_same_with_and_without_what_was_not_written(shop: Path) -> None:
    values = {"start_amps": 4.0, "stop_amps": 2.8, "start_after": 0.0, "stop_after": 0.0, "run_on": 10.0}
    without = load_text(edited(CONFIG, needed(CONFIG, {"band_saw": values})), shop / "config.toml")
    whole = load_text(edited(CONFIG, {"band_saw": values}), shop / "config.toml")
    assert without.shop == whole.shop
    assert without.shop is not None


def test_pauses_and_a_short_recording_are_summed_up_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """[calc] Ten pauses of 10, 20, ... 100 s: the sixth is 60 s, the tenth 100 s."""
    (tmp_path / "config.toml").write_text(CONFIG, "utf-8")
    parts = [(60.0, 0.1), *[part for step in range(10) for part in ((20.0, 8.0), (10.0 * (step + 1), 0.1))]]
    readings = track([*parts, (20.0, 8.0), (60.0, 0.1)])
    rows = [f"{ms / 1000},band_saw,{ma / 1000}\n" for ms, ma in zip(readings.ms, readings.ma, strict=True)]
    (tmp_path / "log.csv").write_text("t_s,tool,amps\n" + "".join(rows), "utf-8")
    assert tune(tmp_path, "band_saw") == 0
    lines = capsys.readouterr().out.splitlines()
    at = lines.index("  11 cuts, 10 pauses between them (up to half an hour): half are no longer than")
    assert lines[at + 1] == "    60 s, nine in ten than 1.67 min"
    assert lines[-2:] == [
        "  in all: in the 14.8 min recorded, too short for a day's average. Counted as if",
        "    this tool alone had the collector.",
    ]
