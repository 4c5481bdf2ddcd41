"""Gatehand's rules: pure values in, values out. `step` is the only door."""

from gatehand_rules.shop import Shop
from gatehand_rules.start import initial
from gatehand_rules.state import State
from gatehand_rules.step import Outcome, step
from gatehand_rules.wake import next_deadline

__all__ = ["Outcome", "Shop", "State", "initial", "next_deadline", "step"]
