"""A verdict goes by what was said when and in which order, however late the observer came to it."""

import json
from pathlib import Path

import pytest
from chaos_verdict import Seen, Verdict, judge
from support.quick_shop import STOP, quick_shop

from gatehand.config import Config, load_text

FAN, GATE = "shop/fan/set", "shop/gate/band_saw/set"
AMPS, FAN_SAYS, GATE_SAYS = "shop/band_saw/amps", "shop/fan/state", "shop/gate/band_saw/state"
OFF, SHUT = (FAN, "0"), (GATE, "shut")
ONE_CUT = (
    (100.00, "gatehand/online", "1"),
    (100.00, *OFF),
    (100.05, FAN_SAYS, "0"),
    (100.10, AMPS, "0.1"),
    (100.30, AMPS, "5"),
    (101.30, AMPS, "5"),
    (101.30, GATE, "open"),
    (101.70, GATE_SAYS, "open"),
    (101.71, FAN, "1"),
    (101.75, FAN_SAYS, "1"),
    (103.00, AMPS, "0.1"),
    (103.30, *OFF),
    (103.35, FAN_SAYS, "0"),
    (103.75, *SHUT),
    (104.15, GATE_SAYS, "shut"),
)
"""Seconds, topic and payload of a cut as it should be: 0.4 s of coast-down from the fan's own word on."""
LINES = {
    (FAN, "1"): {"event": "collector_on", "collector": "main"},
    OFF: {"event": "collector_off", "collector": "main"},
    (GATE, "open"): {"event": "gate_commanded", "gate": "band_saw", "to": "open"},
    SHUT: {"event": "gate_commanded", "gate": "band_saw", "to": "shut"},
    ("gatehand/online", "1"): {"event": "broker_connected"},
}
Story = tuple[tuple[float, str, str], ...]


def shop() -> Config:
    config = load_text(quick_shop(1883, STOP, travel=0.4), Path("config.toml")).config
    assert config is not None
    return config


def judged(folder: Path, story: Story, late: dict[tuple[str, str], float]) -> Verdict:
    """Of that story, in its order, with an observer that comes to some messages late."""
    (folder / "log").mkdir()
    lines = [{"mono": at, **LINES[topic, payload]} for at, topic, payload in story if (topic, payload) in LINES]
    (folder / "log" / "events-1.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    seen, came = [], 0.0
    for at, topic, payload in story:
        came = max(came, at + 0.001 + late.get((topic, payload), 0.0))
        sent = None if (topic, payload) in LINES else at
        seen.append(Seen(came, topic, payload.encode(), sent=sent))
    return judge(shop(), seen, folder)


def moved(topic: str, payload: str, seconds: float) -> Story:
    """The cut with one thing earlier or later, and in its new place."""
    story = ((at + seconds * ((each, text) == (topic, payload)), each, text) for at, each, text in ONE_CUT)
    return tuple(sorted(story, key=lambda each: each[0]))


@pytest.mark.parametrize("late", [{}, *({(topic, payload): 0.3} for _, topic, payload in ONE_CUT)])
def test_an_observer_that_comes_late_to_any_message_finds_nothing_wrong(
    tmp_path: Path, late: dict[tuple[str, str], float]
) -> None:
    verdict = judged(tmp_path, ONE_CUT, late)
    assert [str(each) for each in verdict.monitor.breaches] == []
    assert verdict.monitor.checked == 5


EVERYTHING_LATE = {(topic, payload): 0.3 for _, topic, payload in ONE_CUT}
UNCONFIRMED = (*ONE_CUT[:5], (100.9, GATE, "open"), (101.0, GATE_SAYS, "open"), (101.05, FAN, "1"))


@pytest.mark.parametrize("late", [{}, EVERYTHING_LATE])
@pytest.mark.parametrize(
    ("story", "rule"),
    [
        (moved(*SHUT, -0.1), "I2"),
        (moved(GATE_SAYS, "open", 0.02), "I1"),
        (moved(FAN, "1", -0.2), "I1"),
        (UNCONFIRMED, "I5, I6"),
    ],
)
def test_what_came_too_soon_is_found(
    tmp_path: Path, story: Story, rule: str, late: dict[tuple[str, str], float]
) -> None:
    assert {each.rule for each in judged(tmp_path, story, late).monitor.breaches} == {rule}


def test_the_broker_decides_what_came_first(tmp_path: Path) -> None:
    """The gate's word was sent before the daemon switched on, and passed on after it."""
    story = list(ONE_CUT)
    story[7], story[8] = story[8], story[7]
    assert {each.rule for each in judged(tmp_path, tuple(story), {}).monitor.breaches} == {"I1"}


@pytest.mark.parametrize(("after", "rules"), [(0.1, set()), (1.0, {"I5"})])
def test_an_off_owed_for_a_stop_counts_from_its_decision(tmp_path: Path, after: float, rules: set[str]) -> None:
    """The observer comes to it three seconds late."""
    story = (*ONE_CUT[:10], (102.0, "shop/estop", "1"), (102.0 + after, *OFF), (107.0, AMPS, "0.1"))
    assert {each.rule for each in judged(tmp_path, story, {OFF: 3.0}).monitor.breaches} == rules
