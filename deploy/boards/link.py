"""A board's way to the broker: Wi-Fi, connection, what every board says of itself, and what may still be said.

It never waits and keeps nothing: what cannot be said at once is not said, but for a press, which has half a second.
"""

import json

import network
from mqtt import UP, Client
from settings import Settings, Signal, WrongSettings

try:
    import random
except ImportError:  # left out of some small builds
    random = None  # type: ignore[assignment]

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from board import Role

PAUSE_MS = (200, 700)
"""Between two attempts to connect, drawn anew each time, so that ten boards do not call in the same instant."""
REFUSED_MS = 5000
"""The same where the broker has refused: only a person can help."""
JOIN_MS = 10000
"""The longest that joining the Wi-Fi may take, before it is begun anew."""
AGAIN_MS = 3000
"""From one attempt to join to the next, where the first has failed: looking through all channels takes two seconds."""
REJOIN_MS = 600000
"""So long joined and no broker, and the Wi-Fi is joined anew: some boards do not notice that it is dead."""
KEEPALIVE_S = 2
"""The broker speaks the will after one and a half times it, and some look only every six seconds: 10 s in all."""
MOMENT_MS = 500
MOST_MOMENTS = 4
"""A press waits so long for the broker's sign of life, and so many at once."""
SHORT_MS = 5000
SHORT_ENDS = 3
"""So many connections in a row that the broker ended so soon: somebody else has the same client id."""
_ANOTHER = "the broker ends each connection: has another board the same settings.json?"
ECHO_MS = 3000
"""By then a board has heard its own `online`: a broker that knows no such right acknowledges and passes nothing on."""


class Link:
    """The Wi-Fi and the broker. `up` while the broker hears us and has granted our topics."""

    def __init__(self, settings: Settings, log: "Callable[[str], None]") -> None:
        broker = settings.table("broker")
        wifi = settings.table("wifi")
        self._ssid = wifi.need("ssid", str)
        if not self._ssid:
            raise WrongSettings("%s: ssid is empty; wanted the name of the shop's Wi-Fi" % wifi.where)
        self._password = wifi.get("password", str, "")
        self._online = Signal(settings.table("online"))
        self._about = settings.table("about").need("topic", str)
        self._log = log
        self._role: Role | None = None
        self._lan = network.WLAN(network.STA_IF)
        self._joined = False
        self._join_at = self._stood_at = 0
        self._begun_at = -1
        self._seeks = False
        self._dial_at = 0
        self._dialled = False
        self._greeted = False
        self._greeted_at = self._short = 0
        self._moments: list[tuple[str, bytes, int, int, int]] = []
        self._echo_by: int | None = None
        self._said = ""
        self.now = 0
        """The time of this turn of the loop."""
        access = {key: broker.get(key, str) for key in ("username", "password")}
        access["host"], access["port"] = broker.need("host", str), broker.need("port", int)
        try:
            wrap, self._clock = _tls(broker.maybe("tls"))
            self._client = Client(
                access,
                broker.need("client_id", str),
                (self._online.topic, self._online.payload(self._online.word("clear"))),
                self._heard,
                broker.get("keepalive", int, KEEPALIVE_S),
                wrap,
            )
        except ValueError as error:
            raise WrongSettings("%s: %s" % (settings.where, error))

    @property
    def up(self) -> bool:
        """Whether what is said now arrives."""
        return self._greeted and self._client.phase == UP

    @property
    def behind(self) -> bool:
        """Whether something said before has not surely arrived."""
        return self._client.behind

    def publish(self, topic: str, payload: bytes, retain: bool = False, qos: int = 0, fresh: bool = False) -> bool:
        """Say it now, or never: False, and nothing is kept.

        `fresh`, for a press: not before the broker has shown that it is there, or a frozen one would act on it much
        later. It is asked at once and has half a second; after that the press is dropped.
        """
        if fresh and self._greeted and len(self._moments) < MOST_MOMENTS:
            # Of what else comes from the broker nobody knows when it left: only the answer to this ping is later.
            self._moments.append((topic, payload, qos, self.now, self._client.ping(self.now)))
            return self.up
        return self._greeted and not fresh and self._client.publish(topic, payload, self.now, retain=retain, qos=qos)

    def serve(self, role: "Role") -> None:
        """Whose topics these are."""
        self._role = role
        role.say = self.publish
        self._lan.active(True)
        try:
            # Power saving adds a tenth of a second and more to each word that comes.
            self._lan.config(pm=getattr(self._lan, "PM_NONE", 0))
        except (OSError, ValueError, TypeError):
            pass  # this board has no such setting

    def tick(self, now: int) -> None:
        """Do what is due on the network."""
        self.now = now
        if not self._lan.isconnected() or (self._joined and now - self._stood_at >= REJOIN_MS):
            self._join(now)
            return
        if not self._joined:
            self._joined = True
            self._dial_at = self._stood_at = now
            self._say("the Wi-Fi is joined")
        client = self._client
        if client.waits:
            client.tick(now)
        if client.phase == UP:
            self._stood_at = now
            self._stand(now)
        if client.waits:
            self._tell_moments(now)
            if self._echo_by is not None and now >= self._echo_by:
                self._echo_by = None
                self._say("the broker passes nothing on that this login says: its access list is older than the config")
            return
        if self._dialled:
            # It may have ended anywhere: at the very dial, or while the role said something.
            if self._greeted:
                self._short = self._short + 1 if now - self._greeted_at < SHORT_MS else 0
            self._dialled = self._greeted = False
            self._moments.clear()
            self._say(client.why if self._short < SHORT_ENDS else _ANOTHER)
            self._dial_at = now + (REFUSED_MS if client.refused else _between(PAUSE_MS))
        elif now >= self._dial_at and self._knows_date(now):
            self._dialled = True
            client.dial(now)

    def rest(self, milliseconds: int) -> bool:
        """Wait for the broker's next word, so long at most; False: there is none to wait for, and no time passed."""
        if self._client.waits:
            self._client.wait(milliseconds)
            return True
        return False

    def leave(self, now: int) -> None:
        """The program ends in order: say so, then go."""
        self.publish(self._online.topic, self._online.payload(self._online.word("clear")), retain=True)
        self._client.bid_farewell(now)
        self._greeted = False

    def _knows_date(self, now: int) -> bool:
        """Whether the clock need not be waited for (any more): a certificate's dates are judged by it."""
        clock = self._clock
        if clock is None:
            return True
        ready: bool = clock.tick(now)
        if clock.done:
            self._clock = None
        elif ready:
            self._say(clock.why)
        return ready

    def _join(self, now: int) -> None:
        if self._joined:
            lost = not self._lan.isconnected()
            self._say("the Wi-Fi is lost" if lost else "no broker for 10 minutes: the Wi-Fi is joined anew")
            self._joined = self._dialled = self._greeted = False
            self._moments.clear()
            self._client.drop("the Wi-Fi is lost")
            self._join_at = self._stood_at = now
            self._begun_at = -1
        if now >= self._join_at or self._failed(now):
            if self._begun_at >= 0:
                self._say("the Wi-Fi cannot be joined yet: is it there, and are its name and password right?")
            self._begun_at = now
            self._join_at = now + JOIN_MS
            self._seeks = False
            # Each by itself: some boards refuse to leave what they have not joined.
            for call, what in ((self._lan.disconnect, ()), (self._lan.connect, (self._ssid, self._password or None))):
                try:
                    call(*what)
                except OSError:
                    pass  # it is busy joining

    def _failed(self, now: int) -> bool:
        """Whether this attempt to join is over: some boards make no other one by themselves."""
        joining = getattr(network, "STAT_CONNECTING", None)
        if joining is None:
            return False
        # 2: joined, and no address yet, where a board tells that.
        if self._lan.status() in (joining, getattr(network, "STAT_GOT_IP", joining), 2):
            self._seeks = True
            return False
        # Some boards go on telling of the last attempt until they have joined: they are left in peace for longer.
        return self._seeks and now - self._begun_at >= AGAIN_MS

    def _stand(self, now: int) -> None:
        """Connected: our topics, then what we are, then how things are."""
        role = self._role
        if role is None or self._greeted:
            return
        if not self._client.subscribed:
            if not self._client.behind:
                self._client.subscribe([self._online.topic] + list(role.hears), now)
            return
        self._greeted = True
        self._greeted_at = now
        self._echo_by = now + ECHO_MS
        self._say("the broker hears us")
        self._say_online()
        about = {"gatehand_board": 1, "role": role.NAME, "name": role.settings.need("name", str)}
        about["topics"] = {last: signal.topic for last, signal in role.signals.items()}
        about["topics"]["online"] = self._online.topic
        if role.NAME != "contact":
            about["signals"] = {last: signal.settings.but("topic") for last, signal in role.signals.items()}
            about["signals"]["online"] = self._online.settings.but("topic")
        else:
            about["signals"] = {"online": self._online.settings.but("topic")}
        about.update(role.facts)
        self.publish(self._about, json.dumps(about).encode(), retain=True, qos=1)
        role.greet(now)

    def _tell_moments(self, now: int) -> None:
        """What waits for the broker's sign of life: said with it, dropped without."""
        while self._moments:
            topic, payload, qos, since, ping = self._moments[0]
            if self._client.pongs >= ping:
                self._client.publish(topic, payload, now, qos=qos)
            elif now - since > MOMENT_MS:
                self._log("a press is dropped: the broker does not answer")
            else:
                return
            self._moments.pop(0)

    def _say_online(self) -> None:
        self.publish(self._online.topic, self._online.payload(self._online.word("active")), retain=True, qos=1)

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        if topic == self._online.topic:
            self._echo_by = None
            # The will of a connection that the broker took for dead late, after we came back.
            if self._greeted and payload != self._online.payload(self._online.word("active")):
                self._say_online()
            return
        hears = None if self._role is None else self._role.hears.get(topic)
        if hears is not None:
            hears(payload, retained, self.now)

    def _say(self, text: str) -> None:
        if text != self._said:
            self._said = text
            self._log(text)


def _between(bounds: "tuple[int, int]") -> int:
    low, high = bounds
    return low if random is None else low + random.getrandbits(10) * (high - low) // 1023


def _tls(settings: "Settings | None") -> "tuple[Callable[[Any], Any] | None, Any]":
    """What makes a TLS stream of a connected socket, and what sets the clock before; None: plain, and as it is."""
    if settings is None:
        return None, None
    # Only here: a board with a plain connection has no room to give away.
    try:
        from secure import Clock, wrapper
    except ImportError as error:
        raise WrongSettings("%s: encryption needs secure.py beside main.py: %s" % (settings.where, error))

    file, name = settings.need("ca_file", str), settings.need("server_name", str)
    try:
        wrap = wrapper(file, name)
    except (OSError, ValueError) as error:
        raise WrongSettings("%s: ca_file is %r, and cannot be used: %s" % (settings.where, file, error))
    server = settings.get("time_server", str)
    return wrap, None if server is None else Clock(server)
