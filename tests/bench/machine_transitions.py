"""The shop of `machine_floor` in the package `transitions`: three tables, as its manual has them."""

from typing import Any

from machine_floor import FanFacts, Floor, GateFacts, Parts, ToolFacts
from transitions import Machine

TOOL: list[dict[str, Any]] = [
    {"trigger": "hear", "source": "idle", "dest": "running", "conditions": "is_high", "before": "turn"},
    {"trigger": "hear", "source": "idle", "dest": None, "before": "note"},
    {"trigger": "hear", "source": "running", "dest": "run_on", "conditions": "is_low", "before": "turn"},
    {"trigger": "hear", "source": "running", "dest": None, "before": "note"},
    {"trigger": "hear", "source": "run_on", "dest": "running", "conditions": "is_high", "before": "turn"},
    {"trigger": "hear", "source": "run_on", "dest": None, "before": "note"},
    {"trigger": "hear", "source": "silent", "dest": "idle", "before": "turn"},
    {"trigger": "pass_time", "source": "*", "dest": "silent", "conditions": "is_silent"},
    {"trigger": "pass_time", "source": "run_on", "dest": "idle", "conditions": "is_over"},
]
GATE: list[dict[str, Any]] = [
    {"trigger": "tell_open", "source": ["shut", "shutting"], "dest": "opening", "before": "told"},
    {"trigger": "tell_shut", "source": ["open", "opening"], "dest": "shutting", "before": "told"},
    {"trigger": "pass_time", "source": "opening", "dest": "open", "conditions": "has_arrived"},
    {"trigger": "pass_time", "source": "shutting", "dest": "shut", "conditions": "has_arrived"},
]
FAN: list[dict[str, Any]] = [
    {"trigger": "look", "source": ["off", "coast_down"], "dest": "opening", "conditions": "is_wanted"},
    {"trigger": "look", "source": "coast_down", "dest": "off", "conditions": "stands_still", "before": "rest"},
    {"trigger": "look", "source": "opening", "dest": "coast_down", "conditions": "is_unwanted"},
    {"trigger": "look", "source": "opening", "dest": "spin_up", "conditions": "can_start", "before": "start"},
    {
        "trigger": "look",
        "source": ["spin_up", "running", "run_on"],
        "dest": "coast_down",
        "conditions": "is_unwanted",
        "before": "stop",
    },
    {
        "trigger": "look",
        "source": "spin_up",
        "dest": "running",
        "conditions": "is_spun_up_and_cuts",
        "before": "keep_zone",
    },
    {"trigger": "look", "source": "spin_up", "dest": "run_on", "conditions": "is_spun_up", "before": "keep_zone"},
    {"trigger": "look", "source": "running", "dest": "run_on", "unless": "cuts", "before": "keep_zone"},
    {"trigger": "look", "source": "run_on", "dest": "running", "conditions": "cuts", "before": "keep_zone"},
    {"trigger": "look", "source": ["spin_up", "running", "run_on"], "dest": None, "before": "keep_zone"},
]


class Tool(ToolFacts):
    word: str


class Gate(GateFacts):
    word: str


class Fan(FanFacts):
    word: str


def floor(gate_of: list[int], gates: int) -> Floor:
    """A shop at rest."""
    made = Floor(gate_of)
    tools: list[Any] = [Tool() for _ in gate_of]
    doors: list[Any] = [Gate() for _ in range(gates)]
    fan: Any = Fan(made)
    settings: dict[str, Any] = {"auto_transitions": False, "ignore_invalid_triggers": True, "model_attribute": "word"}
    Machine(tools, ["idle", "running", "run_on", "silent"], "idle", TOOL, **settings)
    Machine(doors, ["shut", "opening", "open", "shutting"], "shut", GATE, **settings)
    Machine(fan, ["off", "opening", "spin_up", "running", "run_on", "coast_down"], "off", FAN, **settings)
    made.parts = Parts(tools, doors, fan)
    made.settle(0.0)
    return made
