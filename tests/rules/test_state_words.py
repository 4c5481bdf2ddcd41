"""Each state has its word in the status topics, and no word is without a state."""

from typing import get_args

from gatehand_rules import Shop, initial
from gatehand_rules import state as st
from gatehand_rules.shop import Collector
from gatehand_rules.words import CollectorWord, GateWord, ToolWord


def test_every_state_has_its_word_and_every_word_its_state() -> None:
    tools = {st.tool_word(_made(kind)) for kind in get_args(st.ToolSpeaking)} | {ToolWord.SILENT}
    assert tools == set(ToolWord)
    moves = [kind(**_needed(kind)) for kind in get_args(st.GateMove)]
    assert {st.gate_word(st.GateState(move=move)) for move in moves} == set(GateWord)
    phases = [kind(**_needed(kind)) for kind in get_args(st.Phase)]
    assert {st.collector_word(st.CollectorState(phase=phase)) for phase in phases} == set(CollectorWord)


def _needed(kind: type) -> dict[str, object]:
    """Values for the fields that have no default."""
    values = {"since": 0.0, "first": 0.0, "wanted": None, "why": "x", "amps": 0.0, "heard_at": 0.0, "standing": None}
    return {name: value for name, value in values.items() if name in kind.__annotations__}


def _made(kind: type) -> st.ToolState:
    made: st.ToolState = kind(**_needed(kind))
    return made


def test_a_state_is_a_value() -> None:
    shop = Shop(collectors=(Collector(name="main"),))
    assert initial(shop, 1.0) == initial(shop, 1.0)
    assert len({initial(shop, 1.0), initial(shop, 1.0)}) == 1
