"""The program of a sensor: the current of one machine, by a clamp around one of its conductors."""

from board import Role
from clamp import Clamp
from settings import Settings, Signal

TYPE_CHECKING = False
if TYPE_CHECKING:
    from link import Link


class Sensor(Role):
    """One clamp, and nothing that could move or switch."""

    NAME = "sensor"

    def __init__(self, settings: Settings) -> None:
        super().__init__(settings)
        signal = Signal(settings.table("amps"))
        self.clamp = Clamp(settings.table("hardware"), signal)
        self.signals = {"amps": signal}
        self.facts = self.clamp.facts
        if signal.poll_topic is not None:
            self._poll = signal.poll_payload
            self.hears[signal.poll_topic] = self._asked

    def tick(self, now: int, link: "Link") -> None:
        """Measure, one step of it."""
        self.clamp.tick(now, link, self.say)

    def greet(self, _now: int) -> None:
        """The next measurement is said; none from before."""
        self.clamp.ask()

    def _asked(self, payload: bytes, retained: bool, _now: int) -> None:
        if payload == self._poll and not retained:
            self.clamp.ask()


def make(settings: Settings) -> Role:
    """The role, for board.start."""
    return Sensor(settings)
