"""What a person in the simulated shop can lay hands on: its devices, and a phone that publishes messages."""

from collections.abc import Callable
from dataclasses import dataclass

from gatehand.simshop import SimShop


@dataclass(frozen=True, slots=True)
class Floor:
    """The shop floor. `publish` sends (topic, payload) as any client of the broker could."""

    shop: SimShop
    publish: Callable[[str, str], None]
