"""Whole answers, word by word: what was said, what to do, which settings, and the lines that decided it."""

from collections.abc import Callable
from typing import Any

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.simshop.gate import GateHabits, GateTrouble
from why.why_support import DAY, swap, why

Make = Callable[..., RecordedShop]
Out = pytest.CaptureFixture[str]

SAW = "band saw started: 6 A, at or above its start_amps of 2.5 A"
OPENED = "gate band saw is open: it reported after 0.92 s"
NOT_SERVED = "band saw started at {} (6 A, at or above its start_amps of 2.5 A) and got no air, because "
SENSOR = 'start_amps = 2.5\nonline = { topic = "shop/band_saw/online", active = "1", clear = "0" }'
GATE = 'retries = 1\nonline = { topic = "shop/gate/band_saw/online", active = "1", clear = "0" }'
SWITCH = (
    "Lock the collector out, then look at its switch, its breaker and its overload. If the device itself is in order, "
)


def causes(found: dict[str, Any]) -> list[str]:
    """What the lines say that the verdict needs."""
    return [one["text"] for one in found["causes"]]


def is_told(found: dict[str, Any], case: str, verdict: str, step: str | None, *needs: str) -> None:
    """The whole answer."""
    assert (found["case"], found["verdict"], found["next_step"]) == (case, verdict, step)
    assert causes(found) == list(needs)
    assert found["not_proven"] is None


@pytest.mark.parametrize(("says", "reason"), [("filter change", "filter change"), ("", "no reason given")])
def test_a_hold(make: Make, capsys: Out, says: str, reason: str) -> None:
    shop = make()
    shop.say("gatehand/collector/main/hold", says)
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=5)
    shop.say("gatehand/collector/main/reset", "1")
    shop.run(30)
    found = why(shop, capsys, "band_saw")
    assert found["verdict"] == (
        NOT_SERVED.format("08:00:36") + f"the collector had been on hold ({reason}) since 08:00:31; it was reset at "
        "08:01:01. On hold nothing starts it, and a start from that time is stale: only a fresh one counts"
    )
    assert found["next_step"] == "When the cause is gone, reset the hold; then switch the tool off and on again."
    assert causes(found)[1:] == [SAW]
    assert [one["ts"] for one in found["causes"]] == ["2026-03-05T08:00:31.000Z", "2026-03-05T08:00:36.030Z"]
    assert found["findings"][0]["rule"] == "hold"


def test_a_start_while_a_stop_contact_was_active_shows_its_line(make: Make, capsys: Out) -> None:
    shop = make()
    shop.say("shop/estop", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    said = NOT_SERVED.format("08:00:36") + (
        "the collector had been on hold by stop contact emergency since 08:00:31; it was not reset in the time looked "
        "at. On hold nothing starts it, and a start from that time is stale: only a fresh one counts"
    )
    step = "When the cause is gone, reset the hold; then switch the tool off and on again."
    held = "collector is on hold by stop contact emergency, until somebody resets it"
    is_told(found, "stop_contact", said, step, held, SAW)


def test_a_hold_of_a_collector_that_an_edit_has_renamed(make: Make, capsys: Out) -> None:
    """It is known by its command topic; what was before the rename cannot be replayed, so it is told and not shown."""
    shop = make()
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(5)
    swap(shop, SHOP.replace("[collector.main]", "[collector.cyclone]"), renamed={"main": "cyclone"})
    shop.run(30)
    shop.cut("band_saw", 20, amps=6, then=30)
    for subject in ("band_saw", "cyclone"):
        found = why(shop, capsys, subject)
        assert found["case"] == "held"
        assert "the collector had been on hold (filter change) since 08:00:31; " in found["verdict"]
        assert causes(found) == [SAW]


def test_a_hold_of_another_collector_is_not_this_ones(make: Make, capsys: Out) -> None:
    """The config no longer has its topic: nothing is known of the hold but what the refusal says."""
    shop = make()
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=5)
    shop.config.write_text(SHOP.replace("[collector.main]", "[collector.other]").replace("shop/fan/set", "shop/x/set"))
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "held"
    assert (
        "got no air, because the collector had been on hold; it was not reset in the time looked at."
        in found["verdict"]
    )


def test_a_cut_that_was_over_before_its_gate_was_open(make: Make, capsys: Out) -> None:
    shop = make()
    shop.cut("router", 1.0, amps=6, then=30)
    for subject in ("router", "main"):
        found = why(shop, capsys, subject)
        is_told(
            found,
            "gate_late",
            "router started at 08:00:31 (6 A, at or above its start_amps of 2 A) and got no air, because it stopped at "
            "08:00:32, before its gate was proven open (1 s of waiting): a fan is not started for work that is over",
            None,
            "router started: 6 A, at or above its start_amps of 2 A",
            "router stopped after 1 s: 0.042 A, below its stop_amps of 1.4 A",
        )
        assert found["trials"] == [
            "gate router cannot report and counts as open after its travel of 1.5 s",
            (
                "travel = 0.9 in [gate.router] would have started it, if the gate is really open by then; measure it "
                "with "
                "gatehand exercise"
            ),
        ]
        assert found["would_have_started"] == {"travel": 0.9}
        assert found["findings"][0]["event"] == "start_missed"


def test_a_hand_start_that_was_over_before_its_gate_was_open(make: Make, capsys: Out) -> None:
    shop = make()
    shop.say("shop/gate/bench/button", "1")
    shop.run(1)
    shop.say("shop/gate/bench/button", "1")
    shop.run(30)
    found = why(shop, capsys, "main")
    assert found["case"] == "cut_ended_before_gate"
    assert found["verdict"].startswith("at 08:00:32: the work ended before a gate was open, after a wait of 1 s")
    assert len(causes(found)) == 2


def test_a_silent_sensor(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.tools["band_saw"].silence(on=True)
    shop.run(60)
    said = (
        "by 08:01:00 the sensor of band saw had sent no reading for 30 s, its silent_after; it has not been heard "
        "again in the time looked at. A silent sensor starts nothing"
    )
    look = "Look at the sensor's power and network, and at the topic shop/band_saw/amps."
    advice = " For a sensor that speaks only on change set silent_after = 0 in [tool.band_saw]."
    is_told(why(shop, capsys, "band_saw", "--at", f"{DAY}T08:01:20"), "silent", said, look + advice)
    shop.config.write_text(SHOP.replace("start_amps = 2.5", "start_amps = 2.5\nsilent_after = 0"))
    is_told(why(shop, capsys, "band_saw", "--at", f"{DAY}T08:01:20"), "silent", said, look)


def test_a_sensor_that_speaks_and_is_not_understood(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.tools["band_saw"].silence(on=True)
    shop.run(5)
    shop.say("shop/band_saw/amps", "six")
    shop.run(60)
    is_told(
        why(shop, capsys, "band_saw", "--at", f"{DAY}T08:01:20"),
        "not_understood",
        "at 08:01:00 the sensor of band saw was heard, but not understood: on shop/band_saw/amps it said six (found "
        "text that is not a number, want a number such as 4.2); it has not been understood again in the time "
        "looked at. What is not understood starts nothing",
        "Look at what it publishes, and at [tool.band_saw] current: topic, pointer, scale.",
    )


def test_a_sensor_on_change_whose_last_word_was_not_understood(make: Make, capsys: Out) -> None:
    shop = make(SHOP.replace('"shop/band_saw/amps" }', '"shop/band_saw/amps", pointer = "/power" }\nsilent_after = 0'))
    shop.shop.tools["band_saw"].silence(on=True)
    shop.say("shop/band_saw/amps", '{"power": "six"}')
    shop.run(400)
    is_told(
        why(shop, capsys, "band_saw", "--at", f"{DAY}T08:06:50"),
        "not_understood",
        "at 08:00:31 the sensor of band saw was heard, but not understood: on shop/band_saw/amps it said "
        '{"power": "six"} (found the text \'six\' at /power where a number is wanted); no other word had come by '
        "then. What is not understood starts nothing",
        "Look at what it publishes, and at [tool.band_saw] current: topic, pointer, scale.",
    )


def test_a_sensor_whose_device_is_offline(make: Make, capsys: Out) -> None:
    shop = make(SHOP.replace("start_amps = 2.5", SENSOR))
    shop.say("shop/band_saw/online", "0")
    shop.shop.tools["band_saw"].silence(on=True)
    shop.run(60)
    said = "the sensor of band saw was offline from 08:00:31, as its online topic said; "
    step, line = "Look at its device's power and network.", "band saw: its device is offline"
    again = "it has not been heard again in the time looked at. A silent sensor starts nothing"
    is_told(why(shop, capsys, "band_saw", "--at", f"{DAY}T08:01:20"), "offline", said + again, step, line)
    shop.say("shop/band_saw/online", "1")
    shop.shop.tools["band_saw"].silence(on=False)
    shop.run(30)
    again = "it was heard again at 08:01:31. A silent sensor starts nothing"
    is_told(why(shop, capsys, "band_saw", "--at", f"{DAY}T08:01:20"), "offline", said + again, step, line)


def test_a_gate_whose_device_is_offline_is_not_jammed(make: Make, capsys: Out) -> None:
    shop = make(SHOP.replace("retries = 1", GATE))
    shop.say("shop/gate/band_saw/online", "0")
    shop.shop.gates["band_saw"].suffer(GateTrouble.NEVER, shop.clocks.now)
    shop.run(1200)
    shop.cut("band_saw", 20, amps=6, then=30)
    gone = "its device had been offline since 08:00:31 (20 min 5 s), as its online topic said"
    step, line = "Look at its device's power and network.", "gate band saw: its device is offline"
    said = NOT_SERVED.format("08:20:31") + f"gate band saw could not be reached: {gone}"
    is_told(why(shop, capsys, "band_saw"), "offline", said, step, line, SAW)
    said = f"gate band saw was told to open at 08:20:34 and could not be reached: {gone}"
    is_told(why(shop, capsys, "gate.band_saw"), "offline", said, step, line, SAW)
    said = (
        "the device of gate band saw was offline at 08:12:00, since 08:00:31 (11 min 29 s), as its online topic "
        "said: no command reached it"
    )
    is_told(why(shop, capsys, "gate.band_saw", "--at", f"{DAY}T08:12:00"), "offline", said, step)
    shop.say("shop/gate/band_saw/online", "1")
    shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
    shop.run(600)
    found = why(shop, capsys, "gate.band_saw", "--at", f"{DAY}T08:29:30")
    assert "offline" not in found["verdict"]


def test_a_device_that_says_twice_that_it_is_gone_has_said_it_once(make: Make, capsys: Out) -> None:
    """Without its first word the second would tell the same: both are left out, or neither would be needed."""
    shop = make(SHOP.replace("retries = 1", GATE))
    shop.shop.gates["band_saw"].suffer(GateTrouble.NEVER, shop.clocks.now)
    for _ in range(2):
        shop.say("shop/gate/band_saw/online", "0")
        shop.run(60)
    shop.cut("band_saw", 20, amps=6, then=30)
    assert causes(why(shop, capsys, "gate.band_saw")) == ["gate band saw: its device is offline", SAW]


def test_a_late_gate(make: Make, capsys: Out) -> None:
    shop = make(gates={"band_saw": GateHabits(late_by=3.0)})
    shop.shop.gates["band_saw"].suffer(GateTrouble.LATE, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    is_told(
        found,
        "gate_late",
        "band saw got its air late, at 08:00:34, 3.92 s after its start at 08:00:31 (6 A, at or above its start_amps "
        "of 2.5 A), because gate band saw was told to open and had not reported open 3 s later (travel 1.5 s, 1 "
        "retry), so it counts as faulty",
        "Look at the gate, its power and its end switches: gatehand exercise. If the device itself is in order, look "
        "at "
        "command in [gate.band_saw]: it is told 'open' on shop/gate/band_saw/set.",
        SAW,
    )
    took = "gate band saw reported open 3.92 s after it was told, 2.42 s after its travel of 1.5 s ran out"
    assert found["trials"] == [
        took,
        "travel = 2 in [gate.band_saw] would have started it without a refusal; it is the shortest that would",
    ]
    for travel, so in ((2.0, True), (2.5, True), (1.9, False)):
        shop.config.write_text(SHOP.replace("travel = 1.5", f"travel = {travel}"))
        found = why(shop, capsys, "band_saw")
        assert found["would_have_started"] == ({} if so else {"travel": 2.0})
        assert ("travel = 2 would have started it, and by now it is set so" in found["trials"]) is so


def test_a_switch_that_does_not_answer(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.commands["shop/fan/set"] = lambda _payload, _at: None
    shop.cut("band_saw", 20, amps=6, then=5)
    step = SWITCH + "look at command in [collector.main]: it is told '1' on shop/fan/set."
    said = (
        "band saw started at 08:00:31 (6 A, at or above its start_amps of 2.5 A), and the collector was switched on at "
        "08:00:31, but that was not confirmed: its switch last reported off, 36 s before. It was switched on again at "
        "08:00:36"
    )
    is_told(why(shop, capsys, "band_saw"), "no_answer", said, step, SAW, OPENED)


def test_what_was_served_and_what_ran_already(make: Make, capsys: Out) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=6, then=60)
    found = why(shop, capsys, "main", "--at", f"{DAY}T08:01:40")
    assert found["verdict"] == (
        "the collector had been off for 39 s: 08:01:01 collector switched off, nothing needs it any more; the fan "
        "coasts for up to 6 s; nothing asked for it since"
    )
    assert causes(found)[:2] == [SAW, OPENED]
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:00:31")
    assert [one["event"] for one in found["findings"]] == ["collector_on", "tool_started", "gate_open"]
    assert [one["ts"][11:19] for one in found["story"]] == ["08:00:31"] * 3


def test_the_daemon_was_stopped(make: Make, capsys: Out) -> None:
    shop = make()
    shop.end()
    shop.run(30, alive=False)
    shop.begin()
    shop.run(10)
    is_told(
        why(shop, capsys, "band_saw", "--at", f"{DAY}T08:00:45"),
        "daemon_not_running",
        "Gatehand was not running at 2026-03-05 08:00:45: it was stopped at 2026-03-05 08:00:31 (asked to); it started "
        "again at 2026-03-05 08:01:01; nothing was watched in between",
        "Start it as a service (deploy/), so that it comes back by itself.",
    )
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T07:59:30")
    assert found["verdict"] == (
        "the log begins at 2026-03-05 08:00:00: at 2026-03-05 07:59:30 no Gatehand had run here yet, or its log is gone"
    )


def test_a_refused_hand_start(make: Make, capsys: Out) -> None:
    shop = make()
    shop.say("shop/bin/full", "1")
    shop.run(5)
    shop.say("shop/gate/bench/button", "1")
    shop.run(5)
    for subject in ("bench", "main"):
        said = "at 08:00:36: start refused for gate bench: the bin is full"
        is_told(why(shop, capsys, subject), "bin_full", said, None, "collector: the bin is full")


def test_without_a_recording_the_lines_are_shown_unproven(make: Make, capsys: Out) -> None:
    shop = make()
    shop.say("shop/bin/full", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    shop.end()
    for path in shop.folder.glob("readings-*"):
        path.unlink()
    found = why(shop, capsys, "band_saw")
    assert found["not_proven"] == "not proven: the readings from that time are not recorded"
    assert causes(found) == ["collector: the bin is full"]
    assert [one["text"][:24] for one in found["story"]] == ["collector: the bin is fu", "start refused for band s"]


def test_a_fan_that_was_on_for_another_tool_shows_that_tools_start(make: Make, capsys: Out) -> None:
    """Without it the fan would have come on for this one, once its gate was open a second later. No switch reports."""
    shop = make(SHOP.replace('state = { topic = "shop/fan/state", on = "1", off = "0" }\n', ""))
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(15)
    shop.cut("band_saw", 20, amps=6, then=5)
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:00:46")
    assert found["case"] == "already_on"
    on = "; the collector was on already, for the router, since 08:00:32"
    assert found["verdict"] == "band saw started at 08:00:46 (6 A, at or above its start_amps of 2.5 A)" + on
    assert causes(found) == ["router started: 6 A, at or above its start_amps of 2 A"]


def test_a_fan_that_was_on_for_a_hand_start(make: Make, capsys: Out) -> None:
    shop = make()
    shop.say("shop/gate/bench/button", "1")
    shop.run(20)
    shop.cut("band_saw", 20, amps=6, then=5)
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:00:51")
    assert found["verdict"].endswith("; the collector was on already, for a hand start of gate bench, since 08:00:32")


def test_a_jam_shows_no_hold_or_stop_contact_that_was_over_long_before(make: Make, capsys: Out) -> None:
    """Without their end nothing would have started: so it is with every start."""
    shop = make()
    shop.say("shop/estop", "1")
    shop.run(5)
    shop.say("shop/estop", "0")
    shop.run(5)
    shop.say("gatehand/collector/main/reset", "1")
    shop.run(5)
    shop.cut("router", 5, amps=6, then=20)
    shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    assert why(shop, capsys, "gate.band_saw")["case"] == "gate_jammed"
    assert causes(why(shop, capsys, "gate.band_saw")) == [SAW]
    assert causes(why(shop, capsys, "band_saw")) == [SAW]


def test_a_start_that_was_stale_at_the_reset_shows_the_reset(make: Make, capsys: Out) -> None:
    shop = make()
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(5)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(5)
    shop.say("gatehand/collector/main/reset", "1")
    shop.run(5)
    assert causes(why(shop, capsys, "band_saw")) == [
        "collector is on hold (filter change), until somebody resets it",
        SAW,
        "collector is no longer on hold (filter change): it was reset; the next fresh start counts",
    ]


def test_a_fan_that_was_on_in_another_tools_run_on_shows_that_tools_start(make: Make, capsys: Out) -> None:
    shop = make(SHOP.replace('state = { topic = "shop/fan/state", on = "1", off = "0" }\n', ""))
    shop.cut("band_saw", 5, amps=6, then=3)
    shop.cut("router", 10, amps=6, then=20)
    found = why(shop, capsys, "router", "--at", f"{DAY}T08:00:39")
    assert found["verdict"].endswith("; the collector was on already, for the band saw, since 08:00:31")
    assert SAW in causes(found)
