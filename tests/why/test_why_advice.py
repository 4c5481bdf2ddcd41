"""No answer advises a setting that is so already: every advice names its setting, and no other sentence names one."""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.config import tables
from gatehand.why import verdict_table
from gatehand.why.advice import RETAIN, Way, is_followed
from gatehand.why.ask import ask
from gatehand.why.moment import Asked, Question
from gatehand.why.verdicts import Words
from why.why_support import DAY, why

Make = Callable[..., RecordedShop]
Out = pytest.CaptureFixture[str]

POLL = ', poll = { topic = "shop/band_saw/get", payload = "?" }'
HEARD = 'current = { topic = "shop/band_saw/amps"'


def every() -> Iterator[tuple[str, Words]]:
    """The words of every case, by name."""
    for name, found in vars(verdict_table).items():
        if isinstance(found, Words):
            yield name, found
    yield from verdict_table.BY_RULE.items()


def settings() -> set[str]:
    """Every key of a tool, gate or collector that is a setting and not a table, and what else can be advised."""
    kinds = (tables.ToolTable, tables.GateTable, tables.CollectorTable)
    plain = {key for kind in kinds for key, field in kind.model_fields.items() if field.annotation is not None}
    return (plain - {"command", "state", "button", "online", "gates", "collector", "current", "power", "running"}) | {
        RETAIN,
        "poll",
        "max_age",
    }


@pytest.mark.parametrize(("name", "words"), list(every()))
def test_what_is_to_be_set_is_an_advice_that_names_its_setting(name: str, words: Words) -> None:
    said = (words.next_step,) if isinstance(words.next_step, str) else words.next_step
    for sentence in said:
        for key in settings() - {"retain", "rest", "reset", "travel"}:
            assert not re.search(rf"\b{key}\b", sentence), f"{name} advises {key}, and not as an advice"
        assert not re.search(r"\b(set|raise|lower|add) (?!up)", sentence.lower()), name
    for one in words.advice:
        assert one.key in settings() | {"at"}, name
        assert one.key in one.words, name
        assert one.words.endswith("."), name


def test_every_advice_is_tried_below() -> None:
    advised = {(name, one.key) for name, words in every() for one in words.advice}
    assert advised == {
        ("SILENT", "silent_after"),
        ("RUN_LIMIT", "run_limit"),
        ("NOT_CONFIRMED", "at"),
        ("NOT_CONFIRMED", "poll"),
        ("NOT_CONFIRMED", "silent_after"),
        ("FIRST_WORD_ON_CHANGE", "poll"),
        ("FIRST_WORD_ON_CHANGE", "retain"),
    }


def asked(shop: RecordedShop) -> Question:
    """A question, for what it knows of the settings."""
    active = shop.engine.active
    answer = ask(
        active.config, active.shop, shop.folder, ("tool", "band_saw"), Asked(datetime(2026, 3, 5, 8, tzinfo=UTC))
    )
    assert answer is not None
    return answer.context


@pytest.mark.parametrize(
    ("whose", "key", "value", "way", "followed"),
    [
        (("tool", "band_saw"), "start_amps", 2.5, Way.MOST, True),
        (("tool", "band_saw"), "start_amps", 2.51, Way.MOST, True),
        (("tool", "band_saw"), "start_amps", 2.49, Way.MOST, False),
        (("tool", "band_saw"), "stop_amps", 1.75, Way.IS, True),
        (("tool", "band_saw"), "start_watts", 100.0, Way.MOST, False),
        (("tool", "band_saw"), "silent_after", 30.0, Way.IS, True),
        (("tool", "band_saw"), "silent_after", 0.0, Way.IS, False),
        (("tool", "band_saw"), "run_limit", 28_800.0, Way.MORE, False),
        (("tool", "band_saw"), "run_limit", 28_799.0, Way.MORE, True),
        (("tool", "band_saw"), "poll", True, Way.IS, False),
        (("tool", "band_saw"), "at", True, Way.IS, False),
        (("tool", "band_saw"), "retain", True, Way.IS, False),
        (("tool", "nobody"), "silent_after", 0.0, Way.IS, False),
        (("gate", "band_saw"), "travel", 1.5, Way.LEAST, True),
        (("gate", "band_saw"), "travel", 1.4, Way.LEAST, True),
        (("gate", "band_saw"), "travel", 1.6, Way.LEAST, False),
        (("gate", "band_saw"), "travel", 1.6, Way.MOST, True),
        (("gate", "nobody"), "travel", 1.6, Way.MOST, False),
        (("collector", "main"), "max_open", 2, Way.LEAST, True),
        (("collector", "main"), "on_bin_full", "warn", Way.IS, False),
        (("collector", "main"), "on_bin_full", "refuse", Way.IS, True),
        (("collector", "main"), "starts_per_hour", 12, Way.LEAST, False),
    ],
)
def test_an_advice_is_followed_where_the_setting_is_so(
    make: Make, *, whose: tuple[str, str], key: str, value: float | str, way: Way, followed: bool
) -> None:
    assert is_followed(asked(make()), whose, key, value, way) is followed


def muted_by_run_limit(make: Make) -> RecordedShop:
    shop = make(SHOP.replace("start_amps = 2.5", "start_amps = 2.5\nrun_limit = 60"))
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(80)
    return shop


@pytest.mark.parametrize(("now", "advised"), [(60, True), (50, True), (61, False)])
def test_a_run_limit_that_was_raised_since_is_not_to_be_raised(
    make: Make, capsys: Out, now: int, advised: bool
) -> None:
    shop = muted_by_run_limit(make)
    shop.config.write_text(SHOP.replace("start_amps = 2.5", f"start_amps = 2.5\nrun_limit = {now}"))
    found = why(shop, capsys, "band_saw", "--at", f"{DAY}T08:01:45")
    assert found["verdict"] == (
        "band saw was muted at 08:01:31: it had run without a pause for its run_limit of 1 min, which is taken for a "
        "stuck "
        "sensor"
    )
    more = " If the tool does run that long, raise run_limit in [tool.band_saw]." if advised else ""
    assert found["next_step"] == "Look at the sensor." + more


AT = "Or give [tool.band_saw] current an at (when it was measured)."
ASK = "Or give [tool.band_saw] current a poll, so that it is asked."
QUIET = "For a sensor that speaks only on change set silent_after = 0 in [tool.band_saw]."


@pytest.mark.parametrize(
    ("heard", "advice"),
    [
        (HEARD, [AT, ASK, QUIET]),
        (f"{HEARD}{POLL}", [AT, QUIET]),
        (f'{HEARD}, pointer = "/amps", at = "/time"', [ASK, QUIET]),
        (f"silent_after = 0\n{HEARD}", [AT, ASK]),
    ],
)
def test_a_start_that_nothing_confirmed_is_advised_only_what_is_not_so(
    make: Make, capsys: Out, heard: str, advice: list[str]
) -> None:
    shop = make()
    shop.shop.tools["band_saw"].silence(on=True)
    shop.lose_broker()
    shop.run(2)
    shop.connect()
    shop.say("shop/band_saw/amps", "6")
    shop.run(0.5)
    shop.say("shop/band_saw/amps", "0")
    shop.run(5)
    assert HEARD in SHOP
    shop.config.write_text(SHOP.replace(HEARD, heard))
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_confirmed"
    assert found["next_step"] == " ".join(["Have the sensor report once a second.", *advice])
    assert [one["text"] for one in found["causes"]] == ["connected to the broker"]


def test_a_contact_is_not_advised_what_only_a_number_can_have(make: Make, capsys: Out) -> None:
    contact = 'running = { topic = "shop/band_saw/on", active = "1", clear = "0" }'
    shop = make(SHOP.replace('current = { topic = "shop/band_saw/amps" }\nstart_amps = 2.5', contact))
    shop.lose_broker()
    shop.run(2)
    shop.connect()
    shop.say("shop/band_saw/on", "1")
    shop.run(0.5)
    shop.say("shop/band_saw/on", "0")
    shop.run(5)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_confirmed"
    assert found["next_step"] == (
        "Have the device of band saw report its state each time it comes back: a word that it has stopped, a second "
        "before, confirms the next start. Or give [tool.band_saw] running a poll, so that it is asked."
    )


@pytest.mark.parametrize("retained", [False, True])
def test_a_device_whose_word_is_retained_is_not_advised_to_retain_it(make: Make, capsys: Out, retained: bool) -> None:
    shop = make(SHOP.replace(HEARD, f"silent_after = 0\n{HEARD}"))
    shop.end()
    shop.shop.tools["band_saw"].silence(on=True)
    shop.run(10, alive=False)
    shop.begin()
    if retained:
        shop.say("shop/band_saw/amps", "6", retained=True)
    shop.run(20)
    shop.say("shop/band_saw/amps", "6")
    shop.run(20)
    found: dict[str, Any] = why(shop, capsys, "band_saw")
    assert found["case"] == "not_fresh"
    assert ("Or have the device retain its word." in found["next_step"]) is not retained
    assert "add poll = { topic = ..., payload = ... } to [tool.band_saw] current." in found["next_step"]


@pytest.mark.parametrize(("now", "advised"), [(2.5, True), (2.21, True), (2.2, False), (2.0, False)])
def test_a_threshold_that_would_have_caught_it_and_is_set_is_not_advised(
    make: Make, capsys: Out, now: float, advised: bool
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=30)
    shop.config.write_text(SHOP.replace("start_amps = 2.5", f"start_amps = {now}"))
    found = why(shop, capsys, "band_saw")
    assert found["would_have_started"] == ({"start_amps": 2.2} if advised else {})
    (trial,) = found["trials"]
    assert (trial == "start_amps = 2.2 would have started it, and by now it is set so") is not advised


@pytest.mark.parametrize("now", ["refuse", "warn"])
def test_a_full_bin_that_only_warns_by_now_is_not_advised_to(make: Make, capsys: Out, now: str) -> None:
    shop = make()
    shop.say("shop/bin/full", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    shop.config.write_text(SHOP.replace("bin_full =", f'on_bin_full = "{now}"\nbin_full ='))
    found = why(shop, capsys, "band_saw")
    so = now == "warn"
    assert found["would_have_started"] == ({} if so else {"on_bin_full": "warn"})
    end = ", and by now it is set so" if so else ", into a full bin"
    assert found["trials"] == [f'on_bin_full = "warn" would have started it{end}']


@pytest.mark.parametrize(
    ("now", "advised"), [("max_open = 1", True), ("max_open = 2", False), ("rest = 'shut'", False)]
)
def test_a_limit_that_leaves_room_by_now_is_not_advised(make: Make, capsys: Out, now: str, advised: bool) -> None:
    shop = make(SHOP.replace("coast_down = 6", "coast_down = 6\nmax_open = 1"))
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.cut("band_saw", 20, amps=6, then=30)
    shop.config.write_text(SHOP.replace("coast_down = 6", f"coast_down = 6\n{now}"))
    found = why(shop, capsys, "band_saw")
    assert found["would_have_started"] == ({"max_open": 2} if advised else {})
    said = (
        "max_open = 2 would have given it air"
        if advised
        else "max_open = 2 would have started it, and by now it is set so"
    )
    assert found["trials"] == [said]
