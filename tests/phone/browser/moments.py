"""Moments of a shop's day in which something is shown that is not shown at rest: each state, each in words."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from page_shop import Broadcast, RunningPage, ShownShop
from phone_screen import Phone

from gatehand.simshop.gate import GateTrouble


@dataclass(frozen=True)
class Moment:
    """How a shop at rest comes to it, and what is then so: the state of each, by its status topic."""

    come: Callable[[ShownShop], None]
    states: Mapping[str, str]
    alarms: tuple[str, ...] = ()
    """Their ids."""


def _cut(seconds: float, then: float = 0.0, tool: str = "band_saw") -> Callable[[ShownShop], None]:
    def come(shop: ShownShop) -> None:
        shop.shop.tools[tool].switch(on=True, at=shop.clocks.now)
        shop.run(seconds)
        if then:
            shop.shop.tools[tool].switch(on=False, at=shop.clocks.now)
            shop.run(then)

    return come


def _jam(shop: ShownShop) -> None:
    shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
    _cut(8)(shop)


def _silence(shop: ShownShop) -> None:
    shop.shop.tools["jointer"].silence(on=True)
    shop.run(40)


def _mute(shop: ShownShop) -> None:
    _cut(8)(shop)
    shop.say("shop/gate/band_saw/button", "1")
    shop.run(30)


def _sweep(shop: ShownShop) -> None:
    shop.say("gatehand/gate/sweep/hand", "1")
    shop.run(8)


def _stop(shop: ShownShop) -> None:
    shop.say("shop/estop", "1")
    shop.run(20)


def _hold(shop: ShownShop) -> None:
    shop.say("gatehand/collector/main/hold", '{"because": "filter change", "by": "a test"}')
    shop.run(20)


def _bin_full(shop: ShownShop) -> None:
    shop.say("shop/bin/full", "1")
    _cut(4)(shop)


def _restart(shop: ShownShop) -> None:
    shop.close()
    shop.shop.tools["drum_sander"].silence(on=True)
    shop.begin()


MOMENTS: Final[Mapping[str, Moment]] = {
    "rest": Moment(lambda _: None, {"collector/main": "off", "gate/sweep": "shut", "tool/band_saw": "idle"}),
    "opening": Moment(_cut(0.8), {"collector/main": "opening", "gate/band_saw": "opening", "tool/band_saw": "running"}),
    "spin-up": Moment(_cut(2.2), {"collector/main": "spin_up", "gate/band_saw": "open"}),
    "running": Moment(_cut(9), {"collector/main": "running", "gate/band_saw": "open", "tool/band_saw": "running"}),
    "run-on": Moment(_cut(9, 4), {"collector/main": "run_on", "gate/band_saw": "open", "tool/band_saw": "run_on"}),
    "coast-down": Moment(_cut(9, 13), {"collector/main": "coast_down", "tool/band_saw": "idle"}),
    "shutting": Moment(_cut(9, 17), {"collector/main": "off", "gate/band_saw": "shutting"}),
    "hand start": Moment(_sweep, {"collector/main": "running", "gate/sweep": "open"}),
    "fault": Moment(_jam, {"gate/band_saw": "fault", "tool/band_saw": "running"}, ("gate.band_saw.fault",)),
    "silent": Moment(_silence, {"tool/jointer": "silent"}),
    "muted": Moment(_mute, {"collector/main": "off", "tool/band_saw": "muted"}),
    "held by a stop": Moment(_stop, {"collector/main": "held"}),
    "held by hand": Moment(_hold, {"collector/main": "held"}),
    "bin full": Moment(_bin_full, {"collector/main": "off", "tool/band_saw": "running"}),
    "daemon just started": Moment(_restart, {"gate/router": "unknown", "tool/drum_sander": "unknown"}),
}


@dataclass
class Stage:
    """What a test of the page has: a page, a broker that retains what it shows, shops and phones as it wants them."""

    served: RunningPage
    broadcast: Broadcast
    phone: Callable[..., Phone]
    """`phone(url, width=360, ...)`: a phone that looks at a page."""
    folder: Path
    text: str

    def shop(self) -> ShownShop:
        """The shop, simulated, at rest; the broker does not know it yet."""
        folder = self.folder / str(len(list(self.folder.iterdir())))
        found = ShownShop(folder, self.text).begin()
        assert isinstance(found, ShownShop)
        found.run(10)
        return found

    def at(self, moment: Moment, *, shop: ShownShop | None = None) -> ShownShop:
        """The shop at a moment, and the broker has it."""
        found = shop or self.shop()
        moment.come(found)
        return found.show(self.broadcast)

    def looks(self, **more: object) -> Phone:
        """A phone that looks at this page, once it has heard of the shop."""
        return self.phone(self.served.url, **more).hears()
