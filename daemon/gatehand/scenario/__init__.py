"""Scenario files: what the shop does at which second, a line of dashes, and the timeline that must come of it."""

from gatehand.scenario.parse import Scenario, ScenarioError, parse
from gatehand.scenario.play import play

__all__ = ["Scenario", "ScenarioError", "parse", "play"]
