"""What the device publishes and when, around the real engine under the test's own time."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from shell_support import SHOP, World, active_config_of
from support.homie_convention import faults

from gatehand.homie.homie_device import HomieDevice
from gatehand.mqtt.transport import Connected, MessageKind, Outgoing, Subscription
from gatehand_rules.reshape import adopt_shop

ROOT = "homie/5/gatehand"
TEXT = SHOP.replace("[stop.emergency]", "[homie]\nenabled = true\n\n[stop.emergency]")


@dataclass
class Line:
    """The device's own connection."""

    device: HomieDevice
    up: bool = False
    sent: list[Outgoing] = field(default_factory=list)
    retained: dict[str, str] = field(default_factory=dict)
    wanted: tuple[Subscription, ...] = ()

    def publish(self, outgoing: Outgoing) -> bool:
        if not self.up:
            return False
        self.sent.append(outgoing)
        if outgoing.kind is MessageKind.STATUS:
            self.retained[outgoing.topic] = outgoing.payload.decode()
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        self.wanted = wanted

    def connect(self, left: dict[str, str] | None = None) -> None:
        """As `Session` does it: the presence, the subscriptions, what is retained, then settled."""
        self.up = True
        self.publish(Outgoing(self.device.presence.topic, self.device.presence.here, MessageKind.STATUS))
        self.device.on_connected(Connected("5", "127.0.0.1", 1883))
        for topic, payload in (left or {}).items():
            self.retained.setdefault(topic, payload)
            self.device.on_message(topic, payload.encode(), True, 0.0)
        self.device.on_settled()

    @property
    def standing(self) -> dict[str, str]:
        """What the broker retains: an empty payload removes."""
        return {topic: payload for topic, payload in self.retained.items() if payload}

    def words(self, since: int = 0) -> list[str]:
        """The topics published since then, below the device's."""
        return [each.topic.removeprefix(f"{ROOT}/") for each in self.sent[since:]]


@dataclass
class Shop:
    world: World
    line: Line

    def ask(self, below: str, payload: str, *, retained: bool = False) -> None:
        clock = self.world.clocks.now
        self.line.device.on_message(f"{ROOT}/{below}/set", payload.encode(), retained, clock)

    def value(self, below: str) -> str | None:
        return self.line.standing.get(f"{ROOT}/{below}")


@pytest.fixture
def shop() -> Iterator[Shop]:
    """At rest, shown, ready."""
    world = World(TEXT)
    device = HomieDevice(world.engine, lambda _level, text, _facts=None: world.said.append(text))
    device.transport = line = Line(device)
    world.engine.publisher.show_also(device.show)
    world.rested()
    line.connect()
    yield Shop(world, line)
    wrong = faults(ROOT, line.standing)
    assert wrong == []


def test_first_init_then_the_description_and_all_values_then_ready(shop: Shop) -> None:
    words = shop.line.words()
    assert words[0] == "$state"
    assert words[1] == "$description"
    assert words[-1] == "$state"
    states = [each.payload for each in shop.line.sent if each.topic.endswith("/$state")]
    assert states == [b"init", b"ready"]  # "Device Lifecycle"
    assert "gate-band-saw/hand" in words
    assert all(each.kind is MessageKind.STATUS for each in shop.line.sent), "retained"  # "QoS and retained messages"


def test_the_will_is_lost_and_the_goodbye_disconnected(shop: Shop) -> None:
    presence = shop.line.device.presence
    assert presence.topic == f"{ROOT}/$state"  # "Last Will"
    assert (presence.lost, presence.left) == (b"lost", b"disconnected")  # "Device Lifecycle"


def test_it_listens_to_every_settable_propertys_set_and_to_nothing_else_once_ready(shop: Shop) -> None:
    described = json.loads(shop.value("$description") or "")
    wanted = {
        f"{ROOT}/{node}/{name}/set"
        for node, each in described["nodes"].items()
        for name, one in each["properties"].items()
        if one.get("settable")
    }
    assert {each.topic for each in shop.line.wanted} == wanted  # "Property command topic"
    assert wanted <= {each.topic for each in shop.line.device.first}, "before it says ready"


def test_a_cut_is_shown_as_it_happens_and_nothing_twice(shop: Shop) -> None:
    world = shop.world
    world.say("shop/band_saw/amps", "6.4")
    assert (shop.value("tool-band-saw/state"), shop.value("gate-band-saw/state")) == ("running", "opening")
    world.say("shop/gate/band_saw/state", "open")
    world.run(2)
    world.engine.beat()
    assert shop.value("gate-band-saw/proven-open") == "true"
    assert shop.value("collector-main/state") == "running"
    assert shop.value("tool-band-saw/current") == "6.4"
    since = len(shop.line.sent)
    for _ in range(5):
        world.engine.beat()
    assert shop.line.words(since) == []


def test_a_hand_start_is_a_settable_boolean_and_answered_once(shop: Shop) -> None:
    since = len(shop.line.sent)
    shop.ask("gate-bench/hand", "true")
    assert shop.line.words(since).count("gate-bench/hand") == 1
    assert shop.value("gate-bench/hand") == "true"
    assert ("shop/gate/bench/set", "open") in shop.world.commands()
    shop.ask("gate-bench/hand", "false")
    assert shop.value("gate-bench/hand") == "false"


def test_a_hand_start_that_is_refused_is_answered_too(shop: Shop) -> None:
    shop.world.say("shop/estop", "1")
    since = len(shop.line.sent)
    shop.ask("gate-bench/hand", "true")
    # "Property command topic": reflected "as soon as possible", to close the controller's loop
    assert "gate-bench/hand" in shop.line.words(since)
    assert shop.value("gate-bench/hand") == "false"
    assert shop.world.events("start_refused")


def test_a_retained_set_starts_nothing(shop: Shop) -> None:
    before = len(shop.world.commands())
    shop.ask("gate-bench/hand", "true", retained=True)
    assert len(shop.world.commands()) == before
    assert shop.value("gate-bench/hand") == "false"
    assert shop.world.events("message_ignored")


@pytest.mark.parametrize("payload", ["TRUE", "1", "", "yes", "\u0000", "x" * 100_000])
def test_another_word_than_the_conventions_is_rejected_and_said_once(shop: Shop, payload: str) -> None:
    before = len(shop.world.commands())
    for _ in range(50):
        shop.ask("gate-bench/hand", payload)
    assert len(shop.world.commands()) == before
    assert len(shop.world.events("reading_rejected", "message_ignored", "message_rejected")) == 1


def test_a_reset_ends_a_hold_and_is_said_as_a_moment(shop: Shop) -> None:
    shop.world.say("shop/estop", "1")
    since = len(shop.line.sent)
    shop.ask("collector-main/reset", "reset")
    assert "collector-main/reset" not in shop.line.words(since), "refused while the contact is active"
    shop.world.say("shop/estop", "0")
    shop.world.run(2)  # a reset counts where none came in the two seconds before it
    since = len(shop.line.sent)
    shop.ask("collector-main/reset", "reset")
    assert shop.world.events("hold_reset")
    # "QoS and retained messages": non-retained values by non-retained messages at QoS 0
    said = [each for each in shop.line.sent[since:] if each.topic == f"{ROOT}/collector-main/reset"]
    assert [(each.payload, each.kind) for each in said] == [(b"reset", MessageKind.EVENT)]
    assert shop.value("collector-main/reset") is None


def test_a_reset_of_what_is_not_held_is_no_moment(shop: Shop) -> None:
    since = len(shop.line.sent)
    shop.ask("collector-main/reset", "reset")
    assert "collector-main/reset" not in shop.line.words(since)


def test_an_alarm_is_an_alert_until_it_is_over(shop: Shop) -> None:
    shop.world.say("shop/estop", "1")
    alert = shop.value("$alert/stop-emergency-active")  # "Alert topic"
    assert alert is not None
    assert "Fix the cause" in alert
    shop.world.say("shop/estop", "0")
    assert shop.value("$alert/stop-emergency-active") is None


def edited(shop: Shop, text: str) -> None:
    engine = shop.world.engine
    active = active_config_of(text)
    engine.swap(active, adopt_shop(engine.active.shop, active.shop, engine.state, engine.now()))


def test_another_shop_is_described_anew_while_it_says_init(shop: Shop) -> None:
    before = json.loads(shop.value("$description") or "")
    since = len(shop.line.sent)
    begin, end = TEXT.index("[tool.router]"), TEXT.index("[homie]")
    button = '[gate.bench]\nbutton = { topic = "shop/b", pressed = "1" }'
    edited(shop, (TEXT[:begin] + TEXT[end:]).replace("[gate.bench]", button))
    shop.world.run(1)
    shop.world.engine.beat()
    words = shop.line.words(since)
    # "Device Attributes": it "may only change when the device `$state` is either `init`, `disconnected`, or `lost`"
    assert words[0] == "$state"
    assert words.index("$description") < len(words) - 1
    states = [each.payload for each in shop.line.sent[since:] if each.topic.endswith("/$state")]
    assert states == [b"init", b"ready"]
    after = json.loads(shop.value("$description") or "")
    assert after["version"] > before["version"]  # "a new higher version must be assigned"
    assert "tool-router" not in after["nodes"]
    assert shop.value("tool-router/state") is None  # "Device reconfiguration"


def test_another_threshold_is_no_other_description(shop: Shop) -> None:
    since = len(shop.line.sent)
    edited(shop, TEXT.replace("start_amps = 2.5", "start_amps = 3"))
    shop.world.run(1)
    shop.world.engine.beat()
    assert "$state" not in shop.line.words(since)
    assert "$description" not in shop.line.words(since)


def test_a_new_connection_says_all_again_and_keeps_the_version_of_the_same_document(shop: Shop) -> None:
    described = shop.value("$description")
    line = shop.line
    line.up = False
    line.device.on_lost("gone", 0.0)
    shop.world.say("shop/band_saw/amps", "6.4")
    left = dict(line.standing)
    line.retained.clear()
    line.connect(left)
    assert shop.value("$description") == described
    assert shop.value("tool-band-saw/state") == "running"
    assert line.words()[-1] == "$state"


def test_what_a_former_run_left_of_things_that_are_gone_is_removed(shop: Shop) -> None:
    line = shop.line
    line.up = False
    line.device.on_lost("gone", 0.0)
    line.connect(
        {
            f"{ROOT}/gate-lathe/hand": "true",
            f"{ROOT}/$alert/tool-lathe-silent": "It is silent.",
            f"{ROOT}/$description": '{"version": 9000000000000}',
        }
    )
    assert shop.value("gate-lathe/hand") is None
    assert shop.value("$alert/tool-lathe-silent") is None
    assert json.loads(shop.value("$description") or "")["version"] > 9_000_000_000_000


@pytest.mark.parametrize("left", ["", "{", "[]", '{"version": "x"}', '{"version": 1e999}', "[" * 9999, "null"])
def test_a_description_that_is_none_is_replaced(shop: Shop, left: str) -> None:
    line = shop.line
    line.up = False
    line.device.on_lost("gone", 0.0)
    line.retained.clear()
    line.connect({f"{ROOT}/$description": left})
    assert json.loads(shop.value("$description") or "")["version"] > 1


def test_a_broker_that_is_away_costs_nothing(shop: Shop) -> None:
    shop.line.up = False
    shop.line.device.on_lost("gone", 0.0)
    shop.world.say("shop/band_saw/amps", "6.4")
    assert ("shop/gate/band_saw/set", "open") in shop.world.commands()
    shop.line.connect()


def test_a_hold_is_shown_here_too_only_once_it_is_on_the_disk(shop: Shop) -> None:
    before = shop.value("collector-main/state")
    shop.world.memory.stalled = True
    shop.world.say("gatehand/collector/main/hold", "filter change")
    assert shop.value("collector-main/state") == before
    shop.world.memory.sync()
    assert shop.value("collector-main/state") == "held"
