"""Which alarms are active, and whether the daemon and the broker are there, by what the broker says."""

import pytest
from notify_support import FAN, GATE, SAW, entry, payload

from gatehand.notify.entry import GONE, LOST
from gatehand.notify.heard import SETTLES, Graces, Heard
from gatehand.notify.telling import Kept, Stage, Telling

CLAIM = b'{"id": "a", "host": "shop", "started": "2026-03-02T08:00:00.000Z"}'
ASKS = CLAIM[:-1] + b', "asks": true}'


class Told:
    """A listener under a clock of the test's own, one hour ahead of which nothing is known."""

    def __init__(self, *kept: Kept, ends: bool = True) -> None:
        self.said: list[str] = []
        self.now = 0.0
        self.telling = Telling(ends=ends, kept=kept)
        self.heard = Heard("gatehand", self.telling, Graces(5, 60), self.said.append)
        self.told: list[tuple[str, str]] = []

    def connect(self, **retained: bytes) -> "Told":
        """`online`, `daemon`, and alarms by a name without dots."""
        self.heard.connected(self.now, 1e9 + self.now)
        for topic, body in retained.items():
            self.hear(topic, body, retained=True)
        return self

    def hear(self, topic: str, body: bytes, *, retained: bool = False) -> None:
        known = {"gate": f"alarm/{GATE}", "fan": f"alarm/{FAN}", "saw": f"alarm/{SAW}"}
        name = f"gatehand/{known.get(topic, topic)}"
        self.heard.hear(name, body, retained=retained, now=self.now, wall=1e9 + self.now)

    def lose(self, why: str = "refused") -> None:
        self.heard.lost(why, self.now, 1e9 + self.now)

    def wait(self, seconds: float) -> list[tuple[str, str]]:
        """What is told by then, as if each minute were long over."""
        until, before = self.now + seconds, len(self.told)
        while self.now < until:
            self.now = min(until, max(self.now + 0.01, min(self.heard.wake_at(self.now), self.now + 1)))
            self.heard.pass_time(self.now, 1e9 + self.now)
            if self.telling.next_run() <= self.now:
                self.told += [(each.id, str(each.state)) for each in self.telling.begin(self.now)]
                self.telling.ended(well=True)
        return self.told[before:]


def test_what_is_retained_at_the_start_is_told_once() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM, gate=payload(), fan=payload(FAN))
    assert told.wait(300) == [(GATE, "raised"), (FAN, "raised")]


def test_what_was_told_before_a_restart_is_not_told_again() -> None:
    known = Kept(entry(GATE, "2026-03-02T08:00:00.000Z"), Stage.TOLD)
    told = Told(known).connect(online=b"1", daemon=CLAIM, gate=payload())
    assert told.wait(300) == []
    told.hear("gate", b"")
    assert told.wait(60) == [(GATE, "over")]


def test_what_ended_while_this_was_not_running_is_over_once_the_daemon_has_been_heard() -> None:
    told = Told(Kept(entry(GATE), Stage.TOLD)).connect(online=b"1", daemon=CLAIM)
    assert told.wait(SETTLES - 1) == []
    assert told.wait(2) == [(GATE, "over")]


def test_an_alarm_raised_anew_while_this_was_not_running_is_another_one() -> None:
    told = Told(Kept(entry(GATE, "before"), Stage.TOLD)).connect(online=b"1", daemon=CLAIM, gate=payload())
    assert told.wait(100) == [(GATE, "over"), (GATE, "raised")] or told.told == [(GATE, "over"), (GATE, "raised")]


def test_a_broker_that_comes_back_without_its_memory_ends_nothing_until_the_daemon_has_said_it_anew() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM, gate=payload(), saw=payload(SAW))
    assert len(told.wait(70)) == 2
    told.lose()
    told.wait(3)
    told.connect()
    assert told.wait(4) == []
    told.hear("online", b"1")
    told.hear("gate", payload())
    assert told.wait(120) == [(SAW, "over")]


def test_what_comes_in_the_loss_is_told_only_if_it_is_there_after_it() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("gate", payload())
    told.wait(2)
    told.lose()
    told.wait(1)
    told.connect(online=b"1", daemon=CLAIM)
    assert told.wait(100) == []


def test_an_alarm_is_told_though_the_broker_is_lost_before_its_grace_is_over() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("gate", payload())
    told.lose()
    assert told.wait(6) == [(GATE, "raised")]


def test_a_daemon_that_dies_is_told_and_that_it_is_back() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("online", b"0")
    assert told.wait(4) == []
    assert told.wait(2) == [(GONE, "raised")]
    told.wait(100)
    told.hear("online", b"1")
    assert told.wait(1) == [(GONE, "over")]


def test_a_daemon_that_is_back_within_the_grace_is_told_to_nobody() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("online", b"0")
    told.wait(4)
    told.hear("online", b"1")
    assert told.wait(100) == []


def test_a_clean_stop_is_no_alarm_then_or_at_a_later_start() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("daemon", b"")
    told.hear("online", b"0")
    assert told.wait(100) == []
    assert Told().connect(online=b"0").wait(100) == []


def test_a_daemon_found_dead_at_the_start_is_told_and_after_a_restart_of_this_not_again() -> None:
    told = Told().connect(online=b"0", daemon=CLAIM)
    assert told.wait(30) == [(GONE, "raised")]
    again = Told(*told.telling.kept()).connect(daemon=CLAIM, online=b"0")
    assert again.wait(300) == []
    again.hear("online", b"1")
    assert again.wait(60) == [(GONE, "over")]


def test_a_daemon_that_dies_before_it_has_claimed_the_shop_is_gone_too() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("daemon", b"")
    told.hear("online", b"0")
    told.wait(10)
    told.hear("daemon", ASKS)
    told.hear("online", b"1")
    told.wait(1)
    told.hear("online", b"0")
    assert told.wait(10) == [(GONE, "raised")]


def test_a_second_daemon_that_asks_and_yields_is_no_alarm() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("daemon", ASKS)
    told.hear("online", b"1")
    told.hear("daemon", CLAIM)
    told.hear("online", b"1")
    assert told.wait(100) == []


def test_a_death_whose_claim_somebody_tidies_up_is_over() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("online", b"0")
    told.wait(70)
    told.hear("daemon", b"")
    assert told.wait(60) == [(GONE, "over")]


def test_a_daemon_that_does_not_come_back_with_its_broker_is_gone() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.lose()
    told.wait(3)
    told.connect()
    assert told.wait(SETTLES) == []
    assert told.wait(6) == [(GONE, "raised")]
    told.lose()
    told.wait(1)
    told.connect()
    assert told.wait(200) == []


def test_a_daemon_that_stopped_cleanly_may_stay_away_when_the_broker_comes_back() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("daemon", b"")
    told.hear("online", b"0")
    told.lose()
    told.wait(3)
    told.connect()
    assert told.wait(200) == []


def test_a_daemon_slower_than_this_to_come_back_after_a_restart_of_the_broker_is_no_alarm() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.lose()
    told.wait(20)
    told.connect(online=b"0", daemon=CLAIM)
    told.wait(8)
    told.hear("online", b"1")
    assert told.wait(100) == []


def test_a_broker_away_for_an_upgrade_is_no_alarm_and_one_away_for_longer_is_with_its_end() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.lose()
    told.wait(30)
    told.lose("refused")
    told.connect(online=b"1", daemon=CLAIM)
    assert told.wait(300) == []
    told.lose()
    for _ in range(10):
        told.wait(6.1)
        told.lose("no route")
    assert told.told == [(LOST, "raised")]
    entry = told.telling.active[LOST].entry
    assert "no route" in entry.because
    told.connect(online=b"1", daemon=CLAIM)
    assert told.wait(120) == [(LOST, "over")]


def test_a_computer_that_is_switched_off_for_the_night_is_no_alarm() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("daemon", b"")
    told.hear("online", b"0")
    told.wait(2)
    for _ in range(10):
        told.lose()
        told.wait(3600)
    told.connect(online=b"0")
    told.wait(3)
    told.hear("online", b"1")
    told.hear("daemon", CLAIM)
    told.wait(100)
    told.lose()
    told.wait(100)
    assert told.told == [(LOST, "raised")], "in the morning it counts again"


def test_a_broker_that_goes_after_its_daemon_has_died_is_told() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("online", b"0")
    told.wait(100)
    told.lose()
    told.wait(100)
    assert told.told == [(GONE, "raised"), (LOST, "raised")]


def test_a_broker_that_is_not_there_at_the_start_is_told_and_over_a_restart_not_again() -> None:
    told = Told()
    told.lose()
    assert told.wait(61) == [(LOST, "raised")]
    again = Told(*told.telling.kept())
    again.lose()
    assert again.wait(1000) == []


@pytest.mark.parametrize("own", [GONE, LOST])
def test_nobody_else_can_say_what_this_has_to_find_out_itself(own: str) -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear(f"alarm/{own}", payload())
    assert told.wait(100) == []


def test_a_message_that_is_not_an_alarm_is_said_once_and_changes_nothing() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM, gate=payload())
    for body in (b"junk\n", b"[]", b"\0"):
        told.hear("gate", body)
        told.hear("online", body)
        told.hear("daemon", body)
    for topic in ("alarm", "alarm/a/b", "gate/x", ""):
        told.hear(topic, payload())
    assert told.wait(100) == [(GATE, "raised")]
    assert len(told.said) == 1
    assert "ignored a message" in told.said[0]


def test_a_gate_renamed_in_the_config_is_the_end_of_one_alarm_and_another_one() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM, gate=payload())
    told.wait(10)
    told.hear("gate", b"")
    told.hear("alarm/gate.saw.fault", payload("gate.saw.fault", "2026-03-02T08:10:00.000Z"))
    told.wait(100)
    assert told.told == [(GATE, "raised"), (GATE, "over"), ("gate.saw.fault", "raised")]


def test_a_restart_of_the_daemon_raises_what_is_active_anew() -> None:
    told = Told(ends=False).connect(online=b"1", daemon=CLAIM, gate=payload())
    told.wait(10)
    told.hear("daemon", b"")
    told.hear("online", b"0")
    told.wait(3)
    told.hear("online", b"1")
    told.hear("gate", b"")
    told.hear("gate", payload(since="2026-03-02T09:00:00.000Z"))
    told.wait(100)
    assert told.told == [(GATE, "raised"), (GATE, "raised")]


def test_a_broker_without_its_memory_and_without_the_daemon_ends_no_alarm() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM, gate=payload())
    told.wait(70)
    told.lose()
    told.wait(3)
    told.connect()
    assert told.wait(300) == [(GONE, "raised")]
    told.hear("online", b"1")
    told.wait(1)
    told.hear("gate", payload())
    told.wait(300)
    assert told.told == [(GATE, "raised"), (GONE, "raised"), (GONE, "over")]


def test_a_daemon_that_asks_whose_shop_it_is_has_not_claimed_it() -> None:
    told = Told().connect(online=b"1", daemon=CLAIM)
    told.hear("daemon", b"")
    told.hear("online", b"0")
    told.hear("daemon", ASKS)
    assert told.wait(100) == []
