"""Which signal followed: the machine's own, among everything else that speaks, and nothing where nothing followed."""

import json
import os
from collections.abc import Callable, Iterator
from random import Random

import pytest
from drawn_brokers import drawn
from listening_support import heard

from gatehand.listening.cycles import Pressed, Switched
from gatehand.listening.found import Follower, is_clear
from gatehand.listening.observed import Listening
from gatehand.listening.watched import changed, followers, presses
from gatehand_rules.words import Measure

ON, OFF, END = 30.0, 60.0, 90.0
DONE = Switched(ON - 3, ON + 1, OFF - 3, OFF + 1)
DRAWN = int(os.environ.get("GATEHAND_DRAWN_BROKERS", "120"))


def is_on(at: float) -> bool:
    return ON <= at < OFF


def follow(*said: tuple[float, str, str], retained: tuple[tuple[float, str, str], ...] = ()) -> list[Follower]:
    every = [*((*one, True) for one in retained), *((*one, False) for one in said)]
    return followers(heard(*sorted(every, key=lambda one: one[0])), [DONE], END)


def beats(every: float, first: float = 0.5) -> Iterator[float]:
    at = first
    while at < END:
        yield at
        at += every


def found_places(found: list[Follower]) -> list[tuple[str, str | None]]:
    return [(one.signal.topic, one.signal.pointer) for one in found]


def test_among_drawn_brokers_the_right_one_comes_first(tell: Callable[[str], None]) -> None:
    wrong = []
    for seed in range(DRAWN):
        made = drawn(seed)
        found = followers(made.heard(), [made.switched], made.until)
        if not found or found_places(found)[0] not in made.right:
            wrong.append(seed)
    tell(f"listen: on {DRAWN - len(wrong)} of {DRAWN} drawn brokers the right signal came first (wrong: {wrong})")
    assert len(wrong) <= DRAWN * 0.03


def test_a_meter_of_watts_has_its_levels_and_thresholds_between_them() -> None:
    dice = Random(1)
    found = follow(*((at, "saw", str(1200 + dice.uniform(-50, 50) if is_on(at) else 2.0)) for at in beats(1)))
    (one,) = found
    assert is_clear(found)
    assert one.taken.measure is Measure.WATTS
    assert one.idle is not None
    assert one.working is not None
    assert one.thresholds is not None
    assert one.idle.high < one.thresholds.stop < one.thresholds.start < one.working.low
    assert one.thresholds.wanting == ""


def test_milliampere_are_brought_to_ampere() -> None:
    (one,) = follow(*((at, "saw/current", "5400" if is_on(at) else "20") for at in beats(1)))
    assert one.taken.scale == 0.001
    assert one.thresholds is not None
    assert 0.02 < one.thresholds.stop < one.thresholds.start < 5.4


def test_what_only_rises_does_not_follow() -> None:
    assert not follow(*((at, "saw/value", str(100 + (at if at > ON else 0) * 5)) for at in beats(1)))
    assert not follow(*((at, "clock", f"2026-05-04T09:{int(at):02}:00Z") for at in beats(1)))


def test_what_falls_only_half_way_does_not_follow() -> None:
    levels = ((ON, "0"), (OFF, "10"), (END, "5"))
    assert not follow(*((at, "x", next(value for until, value in levels if at < until)) for at in beats(1)))


def test_what_ran_at_rest_too_ranks_low_and_is_said() -> None:
    found = follow(*((at, "saw/amps", "5" if is_on(at) or at < 10 else "0") for at in beats(1)))
    assert [(one.also, one.because.endswith("changed at other times too")) for one in found] == [(True, True)]
    assert not is_clear(found)
    assert not follow(*((at, "saw/amps", "5" if is_on(at) or at < ON else "0") for at in beats(1))), "it ran until then"


EARLY = ((1.0, "gate", "shut"), (15.0, "gate", "open"), (18.0, "gate", "shut"))
"""Somebody touched it before it was asked for."""


def test_a_stray_movement_hides_nothing_and_a_second_turn_makes_it_sure() -> None:
    said = [*EARLY, (ON, "gate", "open"), (OFF, "gate", "shut")]
    (one,) = follow(*said)
    assert (one.on, one.off, one.also) == ("open", "shut", True)
    assert not is_clear([one])
    again = [Switched(at - 1, at + 1, at + 9, at + 11) for at in (100.0, 120.0)]
    said += [(at, "gate", word) for cycle in again for at, word in ((cycle.on_by, "open"), (cycle.off_by - 1, "shut"))]
    assert is_clear(followers(heard(*said), [DONE, *again], 140.0))


def test_what_never_changed_besides_comes_before_what_did() -> None:
    said = [(at, f"{where}/state", word) for where in "ab" for at, word in ((1, "0"), (ON, "1"), (OFF, "0"))]
    found = follow(*sorted([*said, (10, "a/state", "1"), (13, "a/state", "0")]))
    assert [one.signal.topic for one in found] == ["b/state", "a/state"]
    assert found[1].rank < 0.6 * found[0].rank


def test_what_stood_open_when_it_was_asked_for_and_was_shut_first_is_found() -> None:
    said = ((1.0, "gate", "shut"), (15.0, "gate", "open"), (ON - 2, "gate", "shut"), (ON, "gate", "open"))
    (one,) = follow(*said, (OFF, "gate", "shut"))
    assert (one.on, one.off, one.also) == ("open", "shut", True)


def test_what_was_said_before_is_forgotten_where_that_is_asked_for() -> None:
    said = heard(*EARLY, (ON, "gate", "open"), (OFF, "gate", "shut"))
    (one,) = followers(said, [DONE], END, since=DONE.on_after)
    assert (one.on, one.off, one.also) == ("open", "shut", False)


def test_what_changed_at_other_times_only_is_listed() -> None:
    said = heard(
        *EARLY, *((at, "clock", f"2026-05-04T09:{at:.0f}:00Z") for at in range(20, 60, 5)), (1.0, "a/set", "x")
    )
    assert followers(said, [DONE], END) == []
    assert [one.topic for one in changed(said, 0.0, END, lambda _: False)] == ["gate"]


def test_a_reading_that_was_held_back_since_last_week_does_not_hide_it() -> None:
    said = tuple((at, "saw/amps", "5.1" if is_on(at) else "0.1") for at in beats(6))
    assert found_places(follow(*said, retained=((0.01, "saw/amps", "7.2"),))) == [("saw/amps", None)]
    on_change = ((ON, "saw/amps", "5.1"), (OFF, "saw/amps", "0.1"))
    assert found_places(follow(*on_change, retained=((0.01, "saw/amps", "7.2"),))) == [("saw/amps", None)]
    words = ((ON + 0.2, "saw/run", "ON"), (OFF + 0.2, "saw/run", "OFF"))
    (one,) = follow(*words, retained=((0.01, "saw/run", "ON"),))
    assert (one.on, one.off, one.taken.measure) == ("ON", "OFF", Measure.RUNNING)


def test_a_retained_off_and_one_word_each_way_are_enough_for_a_contact() -> None:
    found = follow((ON + 0.2, "saw/run", "1"), (OFF + 0.2, "saw/run", "0"), retained=((0.01, "saw/run", "0"),))
    assert [(one.on, one.off) for one in found] == [("1", "0")]
    assert is_clear(found)


def test_a_contact_that_opens_when_the_machine_runs_is_found_with_its_words() -> None:
    (one,) = follow(*((at, "saw/run", "0" if is_on(at) else "1") for at in beats(1)))
    assert (one.on, one.off) == ("0", "1")


def test_a_meter_that_speaks_every_ten_seconds_is_found_and_not_called_late() -> None:
    said = ((at, "saw", json.dumps({"power": 900 if is_on(at) else 1, "uptime": at})) for at in beats(10, first=8))
    assert found_places(follow(*said)) == [("saw", "/power")]


def test_too_short_a_run_says_what_is_wanting() -> None:
    short = Switched(ON, ON, ON + 4, ON + 4)
    said = ((at, "saw/amps", "5" if ON <= at < ON + 4 else "0.1") for at in beats(1))
    (one,) = followers(heard(*said), [short], END)
    assert one.thresholds is not None
    assert one.thresholds.wanting == "it was on for 4 s: leave it on for 10 s at least"


def test_nothing_said_since_the_off_ranks_lower_and_says_so() -> None:
    (one,) = follow((1, "saw/amps", "0.1"), *((at, "saw/amps", "5") for at in beats(1) if is_on(at)))
    assert not one.back
    assert one.because.endswith("silent since it was switched off")


def test_a_command_topic_ranks_behind_the_report() -> None:
    both = ("plug/set", "plug/state")
    said = [(at, topic, word) for topic in both for at, word in ((1, "OFF"), (ON, "ON"), (OFF, "OFF"))]
    assert found_places(follow(*sorted(said)))[0] == ("plug/state", None)


def test_doing_it_twice_tells_it_from_a_light_that_went_on_meanwhile() -> None:
    words = [(1, "OFF"), (ON + 0.5, "ON"), (OFF + 0.5, "OFF")]
    said = [(at, topic, word) for topic in ("hall/light", "saw/run") for at, word in words]
    assert not is_clear(follow(*sorted(said)))
    said += [(100.5, "saw/run", "ON"), (120.5, "saw/run", "OFF")]
    done = [DONE, Switched(98, 101, 119, 122)]
    found = followers(heard(*sorted(said)), done, 140)
    assert found_places(found) == [("saw/run", None)]
    assert is_clear(found)


def test_topics_that_are_left_out_are_not_looked_at() -> None:
    said = [(at, topic, "5" if is_on(at) else "0.1") for at in beats(1) for topic in ("gatehand/tool/saw", "saw/amps")]
    found = followers(heard(*said), [DONE], END, lambda topic: topic.startswith("gatehand/"))
    assert found_places(found) == [("saw/amps", None)]


PRESS = [Pressed(29, 32)]


def press(*said: tuple[float, str, str], done: list[Pressed] = PRESS) -> list[tuple[str, str | None, str, str | None]]:
    found = presses(heard(*sorted(said)), done)
    return [(one.signal.topic, one.signal.pointer, one.pressed, one.released) for one in found]


def test_a_button_that_says_a_word_only_when_it_is_pressed() -> None:
    noise = [(at, "meter", str(at)) for at in beats(1)]
    assert press(*noise, (30, "button", "single")) == [("button", None, "single", None)]


def test_a_contact_says_pressed_and_released() -> None:
    assert press((1, "stop", "0"), (30, "stop", "1"), (31, "stop", "0")) == [("stop", None, "1", "0")]
    assert press((30, "stop", "active"), (31, "stop", "clear")) == [("stop", None, "active", "clear")]


def test_a_normally_closed_contact_is_found_the_other_way_round() -> None:
    assert press((1, "stop", "closed"), (30, "stop", "open"), (31, "stop", "closed")) == [
        ("stop", None, "open", "closed")
    ]


def test_of_an_event_with_a_counter_and_a_time_the_event_is_the_word() -> None:
    event = '{"event": "double", "n": 17, "time": "2026-05-04T09:00:30Z"}'
    assert press((30, "node", event))[0] == ("node", "/event", "double", None)
    twice = [Pressed(29, 32), Pressed(39, 42)]
    again = event.replace("17", "18").replace(":30Z", ":40Z")
    assert press((30, "node", event), (40, "node", again), done=twice) == [("node", "/event", "double", None)]


def test_a_device_that_says_its_button_by_the_clock_too_is_found() -> None:
    said = [(at, "node", '{"button": "none"}') for at in beats(5)]
    assert press(*said, (30.2, "node", '{"button": "pressed"}'))[0] == ("node", "/button", "pressed", "none")


def test_a_chatterer_that_has_new_words_all_the_time_ranks_behind() -> None:
    chatter = [(at * 9, "chat", f"w{at}") for at in range(1, 6)]
    found = presses(heard(*sorted([*chatter, (30.0, "button", "1"), (31.0, "chat", "new")])), PRESS)
    assert [one.signal.topic for one in found] == ["button", "chat"]
    assert is_clear(found)
    assert found[1].rank < 0.1


@pytest.mark.parametrize("released", [("0",), ()])
def test_a_press_before_it_was_asked_for_hides_no_button(released: tuple[str, ...]) -> None:
    done = [Pressed(30, 35), Pressed(36, 41)]
    said = [(at + 0.3 * turn, "button", word) for at in (10, 32, 38) for turn, word in enumerate(("1", *released))]
    lamp = [(at, "lamp", word) for at, word in ((4.0, "0"), (33.0, "1"), (37.0, "0"))]
    beating = [(at + 0.1, "beat", "online") for at in beats(1)]
    found = presses(heard((3.0, "other", "x"), *sorted([*said, *lamp, *beating])), done)
    assert [(one.signal.topic, one.pressed, one.released, one.also) for one in found] == [
        ("button", "1", *(released or (None,)), True)
    ]
    assert found[0].because.endswith("changed at other times too")


def test_a_word_held_back_is_no_press() -> None:
    listening = Listening()
    listening.take("button", b"pressed", True, 30.0)
    assert presses(listening, PRESS) == []


@pytest.mark.parametrize("measure", ["amps", "watts", "words"])
def test_what_is_drawn_holds_all_three_kinds(measure: str) -> None:
    assert any(drawn(seed).measure == measure for seed in range(DRAWN))
