"""What an ended connection or a failed attempt means for the next: how long to wait, which protocol, what to say.

Pure but for its own counters; `lived` and all waits are seconds. The same story always gives the same answers.
"""

from typing import Final

from msgspec import Struct

from gatehand.mqtt import explain
from gatehand.mqtt.explain import Ending, Failure, LinkFailedError
from gatehand.mqtt.settings import BrokerSettings, Patience, Protocol
from gatehand.mqtt.transport import Notice, Said

_SHORT_LIVES: Final = 3
_SILENCES: Final = 2


class Next(Struct, frozen=True):
    """Seconds to wait before the next attempt, and what a person should know."""

    wait: float
    notice: Notice | None = None


class Retry:
    """Remembers what went wrong in a row. `protocol()` is what the next attempt should speak."""

    def __init__(self, settings: BrokerSettings, patience: Patience) -> None:
        self._settings = settings
        self._patience = patience
        self._failures = 0
        self._short_lives = 0
        self._silences = 0
        self._knows_only_older = False

    def protocol(self) -> Protocol:
        """The configured one; 3.1.1 where the broker said, or by twice keeping silent, that it knows no other."""
        if self._settings.protocol == "3.1.1" or self._knows_only_older:
            return "3.1.1"
        # A broker in trouble is silent too, so every other attempt is made with each.
        guess_older = self._silences >= _SILENCES and self._silences % 2 == 0
        return "3.1.1" if guess_older else "5"

    def after_failure(self, error: LinkFailedError) -> Next:
        """An attempt did not lead to a connection."""
        if error.failure is Failure.PROTOCOL and self.protocol() == "5":
            self._knows_only_older = True
            return Next(0.0)
        self._failures += 1
        self._short_lives = 0  # somebody with our id would not have kept us from connecting
        self._silences = self._silences + 1 if error.failure is Failure.NO_ANSWER else 0
        again = "trying again slowly" if error.lasting else "trying again"
        text = f"{explain.failure_text(error, self._settings)}; {again}"
        wait = self._patience.refused if error.lasting else self._patience.before_attempt(self._failures)
        return Next(wait, Notice(explain.failure_kind(error.failure), text, {"cause": error.cause}))

    def connected(self, protocol: Protocol) -> Notice | None:
        """A connection stands."""
        self._failures = 0
        if protocol == self._settings.protocol:
            self._silences = 0
            return None
        # The next time one silence is enough.
        self._silences = _SILENCES - 1
        return Notice(Said.OLDER_PROTOCOL, explain.older_protocol(self._settings), {"protocol": protocol})

    def after_life(self, ending: Ending, lived: float) -> Next:
        """A connection ended after `lived` seconds."""
        short = ending.by_peer and lived < self._patience.short_life
        self._short_lives = self._short_lives + 1 if short else 0
        certain = ending.code == explain.SESSION_TAKEN_OVER
        contended = self._short_lives >= _SHORT_LIVES
        wait = self._patience.contended if contended else self._patience.before_attempt(1)
        if not (certain or contended):
            return Next(wait)
        text = explain.same_client_id(self._settings, self._short_lives, certain=certain)
        return Next(wait, Notice(Said.SAME_CLIENT_ID, text, {"client_id": self._settings.client_id}))
