"""How the shop stands, as the convention's payloads (section "Payloads"). Pure."""

from collections.abc import Iterable, Iterator, Mapping

from gatehand.homie.describe import Description
from gatehand.homie.ids import to_id
from gatehand.shell.alarms import ShownAlarm
from gatehand_rules.shop import Shop
from gatehand_rules.state import GateOpen, State, collector_word, gate_word, tool_word


def values(description: Description, shop: Shop, state: State) -> dict[str, str]:
    """Topic below the device's (`gate-band-saw/state`) -> payload, for every retained property that has a value.

    A current that has not been heard yet has none: the convention knows no word for it, and 0 would be another thing.
    """
    return {
        f"{node.id}/{name}": payload
        for node in description.nodes
        for name, payload in _of(node.subject, shop, state)
        if name in node.properties
    }


def alerts(alarms: Iterable[ShownAlarm]) -> dict[str, str]:
    """Topic below the device's (`$alert/log`) -> text (section "Alert topic"): why, and what to do next."""
    found: dict[str, str] = {}
    for alarm in alarms:
        topic, text = f"$alert/{to_id(alarm.id)}", f"{alarm.because} {alarm.next}"
        found[topic] = f"{found[topic]} {text}" if topic in found else text
    return found


def changes(before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """What to publish; an empty payload removes a topic."""
    yield from ((topic, "") for topic in before if topic not in after)
    yield from ((topic, payload) for topic, payload in after.items() if before.get(topic) != payload)


def _of(subject: tuple[str, str], shop: Shop, state: State) -> Iterator[tuple[str, str]]:
    match subject:
        case ("collector", name) if (fan := shop.collector_at(name)) is not None:
            yield "state", str(collector_word(state.collectors[fan]))
            yield "bin-full", _boolean(state.collectors[fan].bin_full)
        case ("gate", name) if (gate := shop.gate_at(name)) is not None:
            yield "state", str(gate_word(state.gates[gate]))
            yield "proven-open", _boolean(isinstance(state.gates[gate].move, GateOpen))
            yield "hand", _boolean(state.gates[gate].hand is not None)
        case ("tool", name) if (tool := shop.tool_at(name)) is not None:
            yield "state", str(tool_word(state.tools[tool]))
            if (amps := state.tools[tool].amps) is not None:
                yield "current", f"{amps:.1f}"  # a sensor that trembles in its second decimal is no news


def _boolean(value: bool) -> str:
    return "true" if value else "false"
