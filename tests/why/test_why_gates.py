"""A gate stood between a cut and its start: the sentence is read."""

from collections.abc import Callable
from pathlib import Path

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.simshop.gate import GateHabits, GateTrouble
from gatehand.simshop.sim_shop import Habits
from why.why_support import SOFT, why


def test_a_jammed_gate_is_named_and_no_travel_would_have_helped(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys)
    assert found["subject"] == "band_saw"
    assert found["case"] == "gate_jammed"
    assert (
        "gate band saw was told to open and had not reported open 3 s later (travel 1.5 s, 1 retry)" in found["verdict"]
    )
    assert found["would_have_started"] == {}
    assert found["trials"] == ["gate band saw did not report open in the time looked at: no travel would have helped"]


def cut_with_a_gate_that_says(shop: RecordedShop, payload: str) -> None:
    """The gate opens, and speaks in its own way."""
    shop.shop.gates["band_saw"].suffer(GateTrouble.NEVER, shop.clocks.now)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(1.5)
    shop.say("shop/gate/band_saw/state", payload)
    shop.say("shop/gate/band_saw/button", "")  # rejected too, and not its position
    shop.run(18.5)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(30)


@pytest.mark.parametrize("subject", ["band_saw", "gate.band_saw"])
def test_a_gate_whose_word_is_another_is_told_with_its_word(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str], subject: str
) -> None:
    shop = make()
    cut_with_a_gate_that_says(shop, "Open")
    found = why(shop, capsys, subject, "--all")
    assert found["case"] == "gate_not_understood"
    assert "; its last word on shop/gate/band_saw/state was 'Open': wanted 'open' or 'shut'" in found["verdict"]
    assert found["next_step"].startswith("Look at what the gate publishes, and at [gate.band_saw] state")
    assert found["trials"] == [], "no travel would have helped, and none is tried"
    assert any(
        "gate band saw did not open in 3 s with 1 retry (travel 1.5 s); it says Open, which is neither its open nor "
        "its shut" in one["text"]
        for one in found["story"]
    )


@pytest.mark.parametrize("subject", ["band_saw", "gate.band_saw"])
def test_a_gate_whose_report_cannot_be_read_is_told_with_the_reason(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str], subject: str
) -> None:
    shop = make(
        SHOP.replace('{ topic = "shop/gate/band_saw/state"', '{ topic = "shop/gate/band_saw/state", pointer = "/at"')
    )
    cut_with_a_gate_that_says(shop, "open")
    found = why(shop, capsys, subject)
    assert found["case"] == "gate_not_understood"
    assert found["verdict"].endswith(
        "; on shop/gate/band_saw/state it said 'open' at 08:00:32, which could not be used: found no JSON (expecting "
        "value at character 0), want JSON"
    )
    assert found["trials"] == []


def test_a_late_gate_says_how_late_and_the_shortest_travel_that_would_have_been_enough(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """It reports 3.9 s after its command; one retry makes twice the travel: 2.0 s would have sufficed."""
    shop = make(gates={"band_saw": GateHabits(late_by=3.0)})
    shop.shop.gates["band_saw"].suffer(GateTrouble.LATE, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "gate_late"
    assert any(
        "gate band saw reported open 3.92 s after it was told, 2.42 s after its travel of 1.5 s ran out" in one
        for one in found["trials"]
    )
    assert found["would_have_started"] == {"travel": 2.0}
    assert any(
        "travel = 2 in [gate.band_saw] would have started it without a refusal; it is the shortest" in one
        for one in found["trials"]
    )


def test_a_gate_that_reported_when_the_work_was_over_has_no_travel_that_would_have_helped(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("run_on = 10", "run_on = 0"))
    shop.shop.gates["band_saw"].suffer(GateTrouble.NEVER, shop.clocks.now)
    shop.cut("band_saw", 3.5, amps=6, then=1)
    shop.say("shop/gate/band_saw/state", "open")
    shop.run(30)
    found = why(shop, capsys, "band_saw")
    assert (found["case"], found["would_have_started"]) == ("gate_late", {})
    assert found["trials"] == [
        "gate band saw reported open 4.47 s after it was told, 2.97 s after its travel of 1.5 s ran out",
        "no longer travel would have started it: the work was over by then",
    ]


def test_a_later_cut_that_was_served_is_not_taken_for_this_ones(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """The gate jams, the cut ends, the gate is mended, and the next cut, a second later, is served."""
    shop = make()
    shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 5, amps=6, then=1)
    shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "gate_jammed"
    assert "was the collector switched on" not in found["verdict"]
    assert found["would_have_started"] == {}
    assert found["trials"] == ["gate band saw did not report open in the time looked at: no travel would have helped"]


def test_the_gate_itself_can_be_asked(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make(gates={"band_saw": GateHabits(late_by=3.0)})
    shop.shop.gates["band_saw"].suffer(GateTrouble.LATE, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6)
    shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
    shop.run(30)
    found = why(shop, capsys, "gate.band_saw")
    assert found["kind"] == "gate"
    assert found["case"] == "gate_late"
    assert "gate band saw was told to open at 08:00:31 and had not reported it 3 s later" in found["verdict"]
    assert found["would_have_started"] == {"travel": 2.0}


def test_a_cut_that_ended_before_its_gate_was_open_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """The gate cannot report and has 1.5 s of travel, the cut lasts 1 s: 0.9 s of travel would have been in time."""
    shop = make()
    shop.cut("router", 1.0, amps=6, then=30)
    found = why(shop, capsys, "router")
    assert found["case"] == "gate_late"
    assert "before its gate was proven open" in found["verdict"]
    assert found["would_have_started"] == {"travel": 0.9}
    assert any("cannot report and counts as open after its travel of 1.5 s" in one for one in found["trials"])


def test_a_gate_that_was_never_heard_is_not_jammed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its words come on another topic, say: no report since the daemon's start, kept or live."""
    habits = Habits(tools=SOFT, gates={"band_saw": GateHabits(retains=False)})
    shop = RecordedShop(tmp_path, habits=habits)
    shop.shop.gates["band_saw"].suffer(GateTrouble.NEVER, shop.clocks.now)
    shop.begin()
    shop.run(30)
    shop.cut("band_saw", 20, amps=6, then=60)
    told = {subject: why(shop, capsys, subject) for subject in ("band_saw", "gate.band_saw")}
    unheard = "1.5 s later had not said where it is"
    assert {subject: one["verdict"] for subject, one in told.items()} == {
        "band_saw": "band saw started at 08:00:31 (6 A, at or above its start_amps of 2.5 A) and got no air, because "
        f"gate band saw was told to open and {unheard}; the collector does not start against shut "
        "gates, and no other is known open",
        "gate.band_saw": f"gate band saw was told to open at 08:00:34 and {unheard}: it counts as faulty, though it "
        "may have moved",
    }
    for one in told.values():
        assert (one["case"], one["trials"]) == ("gate_unheard", [])
        assert [cause["text"] for cause in one["causes"]] == [
            "band saw started: 6 A, at or above its start_amps of 2.5 A"
        ]
