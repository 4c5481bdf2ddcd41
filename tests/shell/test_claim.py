"""Whose shop it is, played with daemons that share one topic under a clock of the test's own."""

import json
from dataclasses import dataclass, field

import pytest
from support.virtual_time import Clocks, Timers

from gatehand.mqtt.transport import Connected, MessageKind, Notice, NoticeKind, Outgoing
from gatehand.shell.claim import Claim, Doorkeeper

TOPIC = "gatehand/daemon"
INFO = Connected("5", "127.0.0.1", 1883)


@dataclass
class Air:
    """The topic at the broker, and who listens to it."""

    retained: bytes = b""
    online: bytes | None = None
    daemons: "list[Daemon]" = field(default_factory=list)
    said: list[tuple[str, bytes, MessageKind]] = field(default_factory=list)

    def publish(self, by: str, outgoing: Outgoing) -> None:
        self.said.append((by, outgoing.payload, outgoing.kind))
        if outgoing.kind is MessageKind.STATUS:
            self.retained = outgoing.payload
        for each in list(self.daemons):
            each.keeper.on_message(TOPIC, outgoing.payload, False, 0.0)


class Daemon:
    """A doorkeeper, with the shell and the session around it."""

    def __init__(self, air: Air, clocks: Clocks, timers: Timers, name: str, started: str = "") -> None:
        self.air, self.name = air, name
        self.found: bytes | None = None
        self.heard: list[str] = []
        self.ended = False
        self.renewed = 0
        me = Claim(name, f"host-{name}", started or f"2026-11-28T08:00:{clocks.now:06.3f}Z")
        self.keeper = Doorkeeper(me, "gatehand", self, timers=timers, mono=clocks.mono, yields=self._yield)
        self.keeper.line = self

    def connect(self, *messages: tuple[str, bytes]) -> "Daemon":
        """Connect, hear what is retained, settle."""
        self.found = self.air.online
        self.keeper.on_connected(INFO)
        self.air.daemons.append(self)
        if self.air.retained:
            self.keeper.on_message(TOPIC, self.air.retained, True, 0.0)
        for topic, payload in messages:
            self.keeper.on_message(topic, payload, True, 0.0)
        self.air.online = b"1"
        self.keeper.on_settled()
        return self

    def vanish(self) -> None:
        """Killed; nobody hears it any more."""
        self.air.daemons.remove(self)

    @property
    def works(self) -> bool:
        return self.keeper.open and not self.ended

    def _yield(self, other: Claim) -> None:
        del other
        self.ended = True
        self.vanish()

    # The session's side

    def publish(self, outgoing: Outgoing) -> bool:
        self.air.publish(self.name, outgoing)
        return True

    def renew(self) -> None:
        self.renewed += 1
        self.vanish()
        self.keeper.on_lost("to read anew", 0.0)
        self.connect()

    # The shell's side

    def on_connected(self, info: Connected) -> None:
        del info
        self.heard.append("connected")

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        del retained, received
        self.heard.append(f"{topic} {payload.decode()}")

    def on_settled(self) -> None:
        self.heard.append("settled")

    def on_lost(self, reason: str, heard_at: float) -> None:
        del reason, heard_at
        self.heard.append("lost")

    def on_standstill(self, seconds: float) -> None:
        del seconds
        self.heard.append("stood still")

    def on_caught_up(self) -> None:
        self.heard.append("caught up")

    def on_notice(self, notice: Notice) -> None:
        self.heard.append(str(notice.kind))


@dataclass
class Stage:
    clocks: Clocks = field(default_factory=Clocks)
    air: Air = field(default_factory=Air)

    def __post_init__(self) -> None:
        self.timers = Timers(self.clocks)

    def daemon(self, name: str, started: str = "") -> Daemon:
        return Daemon(self.air, self.clocks, self.timers, name, started)

    def run(self, seconds: float) -> None:
        self.timers.run_until(self.clocks.now + seconds)


@pytest.fixture
def stage() -> Stage:
    return Stage()


def claim(stage: Stage) -> str:
    return str(json.loads(stage.air.retained)["id"]) if stage.air.retained else ""


def test_alone_it_goes_on_at_once_and_hears_all_in_order(stage: Stage) -> None:
    one = stage.daemon("a").connect(("shop/estop", b"1"), ("shop/fan/state", b"0"))
    assert one.heard == ["connected", "shop/estop 1", "shop/fan/state 0", "settled"]
    stage.run(2)
    assert claim(stage) == "a"
    assert set(json.loads(stage.air.retained)) == {"id", "host", "started"}


def test_a_second_one_commands_nothing_and_ends(stage: Stage) -> None:
    one = stage.daemon("a").connect()
    stage.run(10)
    two = stage.daemon("b").connect(("shop/estop", b"1"))
    assert (two.ended, two.heard) == (True, [])
    assert not two.keeper.publish(Outgoing("shop/fan/set", b"1", MessageKind.ACT))
    assert one.works
    assert claim(stage) == "a"


def test_after_a_killed_one_whose_will_has_spoken_nobody_waits(stage: Stage) -> None:
    stage.daemon("a").connect()
    stage.run(10)
    stage.air.daemons[0].vanish()
    stage.air.online = b"0"
    two = stage.daemon("b").connect()
    assert two.heard == ["connected", "settled"]
    stage.run(2)
    assert claim(stage) == "b"


@pytest.mark.parametrize("online", [b"1", None])
def test_after_one_that_vanished_without_a_will_it_waits_two_seconds_and_reads_all_anew(
    stage: Stage, online: bytes | None
) -> None:
    stage.daemon("a").connect()
    stage.run(10)
    stage.air.daemons[0].vanish()
    stage.air.online = online
    two = stage.daemon("b").connect(("shop/gate/band_saw/hand", b"1"))
    stage.run(1.9)
    assert (two.heard, two.renewed) == ([], 0)
    stage.run(0.2)
    assert two.renewed == 1
    assert two.heard == ["connected", "settled"], "what was said meanwhile is old"
    stage.run(2)
    assert claim(stage) == "b"


@pytest.mark.parametrize(("first", "second"), [("a", "b"), ("b", "a")])
@pytest.mark.parametrize("apart", [0.0, 0.3, 1.0, 1.9])
def test_of_two_that_start_at_once_one_works_the_shop(stage: Stage, first: str, second: str, apart: float) -> None:
    """Whoever started later yields, whichever of them came to the broker first."""
    began = {"a": "2026-11-28T08:00:00.000Z", "b": "2026-11-28T08:00:00.001Z"}
    one = stage.daemon(first, began[first]).connect()
    stage.run(apart)
    two = stage.daemon(second, began[second]).connect()
    stage.run(5)
    assert one.works != two.works
    assert (one if first == "a" else two).works, "the one that started first"
    assert claim(stage) == (first if one.works else second)


def test_without_a_claim_an_answer_within_two_seconds_still_ends_it(stage: Stage) -> None:
    """The broker has lost what it retained."""
    one = stage.daemon("a").connect()
    stage.run(10)
    stage.air.retained, stage.air.online = b"", None
    two = stage.daemon("b").connect()
    assert two.ended
    assert one.works
    assert claim(stage) == "a"


def test_one_that_was_cut_off_finds_the_shop_taken(stage: Stage) -> None:
    one = stage.daemon("a").connect()
    stage.run(10)
    one.vanish()
    one.keeper.on_lost("gone", 0.0)
    stage.air.online = b"0"
    two = stage.daemon("b").connect()
    stage.run(10)
    one.connect()
    stage.run(5)
    assert two.works
    assert one.heard == ["connected", "settled", "lost"], "it hears of no connection any more"


def test_a_clean_stop_empties_the_claim_and_the_next_one_waits_for_nothing(stage: Stage) -> None:
    one = stage.daemon("a").connect()
    stage.run(10)
    one.keeper.leave()
    one.vanish()
    assert stage.air.retained == b""
    assert stage.daemon("b").connect().heard == ["connected", "settled"]


def test_a_clean_stop_in_the_first_seconds_empties_the_claim_of_a_daemon_that_died_before(stage: Stage) -> None:
    one = stage.daemon("a").connect()
    stage.run(10)
    one.vanish()
    stage.air.online = b"0"
    two = stage.daemon("b").connect()
    two.keeper.leave()
    assert stage.air.retained == b"", "a claim that stays would say that the shop has lost its daemon without a word"


def test_one_that_asks_only_leaves_the_others_claim(stage: Stage) -> None:
    one = stage.daemon("a").connect()
    stage.run(10)
    two = stage.daemon("b").connect()
    two.keeper.leave()
    assert one.works
    assert claim(stage) == "a"


def test_a_claim_that_somebody_removed_is_shown_again(stage: Stage) -> None:
    stage.daemon("a").connect()
    stage.run(10)
    stage.air.publish("somebody", Outgoing(TOPIC, b"", MessageKind.STATUS))
    assert claim(stage) == "a"


def test_a_new_connection_shows_the_claim_again(stage: Stage) -> None:
    one = stage.daemon("a").connect()
    stage.run(10)
    one.vanish()
    one.keeper.on_lost("broker killed", 0.0)
    stage.air.retained = b""
    one.connect()
    assert claim(stage) == "a"
    assert one.works


def test_two_that_have_both_worked_for_long_raise_an_alarm_and_do_not_talk_for_ever(stage: Stage) -> None:
    """Two networks that were joined."""
    one, two = stage.daemon("a").connect(), None
    stage.run(10)
    one.vanish()
    stage.air.retained, stage.air.online = b"", None
    two = stage.daemon("b").connect()
    stage.run(10)
    stage.air.daemons.append(one)
    before = len(stage.air.said)
    stage.air.publish(
        "a", Outgoing(TOPIC, json.dumps({"id": "a", "host": "x", "started": "2026"}).encode(), MessageKind.STATUS)
    )
    stage.run(60)
    assert len(stage.air.said) - before < 20
    assert str(NoticeKind.SAME_BASE) in two.heard
    assert one.works
    assert two.works


def test_anothers_word_on_online_is_an_alarm_unless_it_asks_and_yields(stage: Stage) -> None:
    one = stage.daemon("a").connect()
    stage.run(10)
    notice = Notice(NoticeKind.SAME_BASE, "another daemon publishes", {})
    one.keeper.on_notice(notice)
    stage.daemon("b").connect()
    stage.run(5)
    assert str(NoticeKind.SAME_BASE) not in one.heard
    one.keeper.on_notice(notice)
    stage.run(5)
    assert one.heard[-1] == str(NoticeKind.SAME_BASE)


@pytest.mark.parametrize(
    "payload", [b"x", b"[]", b"{}", b'{"id": 1, "host": "h", "started": "s"}', b'{"id": "z"}', b"\xff", b"[" * 2000]
)
def test_what_is_no_claim_is_nothing(stage: Stage, payload: bytes) -> None:
    one = stage.daemon("a").connect()
    stage.air.publish("junk", Outgoing(TOPIC, payload, MessageKind.EVENT))
    stage.run(3)
    assert one.works
    stage.air.retained = payload
    one.vanish()
    assert stage.daemon("b").connect().heard == ["connected", "settled"]
