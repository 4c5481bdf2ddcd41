"""One step's context: the state taken apart, what is to be commanded, and why. It lives for one call of `step`.

Rules read and write a `Context`; nothing outside this package sees one.
"""

from collections.abc import Mapping
from typing import Any, assert_never

from msgspec.structs import replace

from gatehand_rules.commands import ClearAlarm, CollectorOn, Command, OpenGate, RaiseAlarm, ShutGate
from gatehand_rules.findings import Alarm, Fact, Finding, Happened, Rule
from gatehand_rules.shop import CollectorAt, GateAt, Shop, ToolAt
from gatehand_rules.state import CollectorState, Doubt, GateState, Guard, State, ToolState


class Context:
    """A mutable copy of a `State` with the commands and findings of one step."""

    def __init__(self, shop: Shop, state: State, now: float) -> None:
        self.shop = shop
        self.start = state
        self.now = now
        self.tools: list[ToolState] = list(state.tools)
        self.gates: list[GateState] = list(state.gates)
        self.collectors: list[CollectorState] = list(state.collectors)
        self.doubts: list[Doubt | None] = list(state.doubts) or [None] * len(state.tools)
        self.stops: list[bool] = list(state.stops)
        self.alarms: set[Alarm] = set(state.alarms)
        self.connected = state.connected
        self.settle_at = state.settle_at
        self.adopted = state.adopted
        self.stopping = state.stopping
        self.no_start_before = state.no_start_before
        self.stops_lost_at = state.stops_lost_at
        self.stood_for = state.stood_for
        self.commands: list[Command] = []
        self.before: dict[tuple[str, str], tuple[GateAt, GateState] | tuple[CollectorAt, CollectorState]] = {}
        """Index and state of a gate or collector before it was told (word, name): a vetoed command was never given."""
        self.findings: list[Finding] = []
        self.decided: Finding | None = None

    def say(
        self,
        event: Happened,
        rule: Rule,
        facts: Mapping[str, Fact] = {},
        /,
        *,
        tool: str | None = None,
        gate: str | None = None,
        collector: str | None = None,
        **more: Fact,
    ) -> None:
        """Leave a finding. Its facts come as a mapping, as keywords, or both."""
        told = (*facts.items(), *more.items())
        self.findings.append(Finding(event=event, rule=rule, tool=tool, gate=gate, collector=collector, facts=told))

    def say_of_tool(self, at: ToolAt, event: Happened, rule: Rule, **facts: Fact) -> None:
        """Leave a finding about the tool at this index and its collector."""
        tool = self.shop.tools[at]
        self.say(event, rule, facts, tool=tool.name, collector=tool.collector)

    def say_of_gate(self, at: GateAt, event: Happened, rule: Rule, **facts: Fact) -> None:
        """Leave a finding about the gate at this index and its collector."""
        gate = self.shop.gates[at]
        self.say(event, rule, facts, gate=gate.name, collector=gate.collector)

    def say_of_collector(self, at: CollectorAt, event: Happened, rule: Rule, **facts: Fact) -> None:
        """Leave a finding about the collector at this index."""
        self.say(event, rule, facts, collector=self.shop.collectors[at].name)

    def decide(self, *, logged: bool = True) -> None:
        """What was said last answers a request. `logged` False: whoever asked is answered, and the log has no line."""
        self.decided = self.findings[-1] if logged else self.findings.pop()

    def raise_alarm(self, alarm: Alarm, rule: Rule, **facts: Fact) -> bool:
        """Raise an alarm that is not raised yet; True when it is new. The finding names its subject."""
        if alarm in self.alarms:
            return False
        self.alarms.add(alarm)
        self.commands.append(RaiseAlarm(alarm))
        self._say_alarm(Happened.ALARM_RAISED, alarm, rule, facts)
        return True

    def clear_alarm(self, alarm: Alarm, rule: Rule) -> None:
        """Clear an alarm if it is raised."""
        if alarm in self.alarms:
            self.alarms.discard(alarm)
            self.commands.append(ClearAlarm(alarm))
            self._say_alarm(Happened.ALARM_CLEARED, alarm, rule, {})

    def refuse(self, alarm: Alarm, rule: Rule, collector: str, **facts: Fact) -> None:
        """Raise the alarm that a tool or a gate asks for air in vain; say so while it is new."""
        if self.raise_alarm(alarm, rule, **facts):
            self.say(Happened.START_REFUSED, rule, facts, collector=collector, **{alarm.kind: alarm.name})

    def _say_alarm(self, event: Happened, alarm: Alarm, rule: Rule, facts: Mapping[str, Fact]) -> None:
        """The finding names a tool, a gate or a collector; whom else an alarm is about its id tells."""
        named = {alarm.kind: alarm.name} if alarm.kind in {"tool", "gate", "collector"} else {}
        self.say(event, rule, {"alarm": alarm.id, **facts}, **named)

    def tell(self, command: OpenGate | ShutGate | CollectorOn, at: GateAt | CollectorAt) -> None:
        """Command it. Called before the telling changes what stands at index `at`."""
        match command:
            case OpenGate(gate=name) | ShutGate(gate=name):
                word = "open" if isinstance(command, OpenGate) else "shut"
                self.before.setdefault((word, name), (GateAt(at), self.gates[at]))
            case CollectorOn(collector=name):
                self.before.setdefault(("on", name), (CollectorAt(at), self.collectors[at]))
            case _:
                assert_never(command)
        self.commands.append(command)

    def state(self, guard: Guard) -> State:
        """What has come of it, put together again; its next deadline is still to be found."""
        return State(
            tools=tuple(self.tools),
            gates=tuple(self.gates),
            collectors=tuple(self.collectors),
            stops=tuple(self.stops),
            guard=guard,
            alarms=frozenset(self.alarms),
            connected=self.connected,
            settle_at=self.settle_at,
            adopted=self.adopted,
            stopping=self.stopping,
            no_start_before=self.no_start_before,
            stops_lost_at=self.stops_lost_at,
            stood_for=self.stood_for,
            doubts=tuple(self.doubts),
        )

    def set_gate(self, at: GateAt, **changes: Any) -> None:  # noqa: ANN401 - `replace` checks the names
        """Replace fields of one gate's state."""
        self.gates[at] = replace(self.gates[at], **changes)

    def set_collector(self, at: CollectorAt, **changes: Any) -> None:  # noqa: ANN401 - the same
        """Replace fields of one collector's state."""
        self.collectors[at] = replace(self.collectors[at], **changes)

    @property
    def quiet(self) -> bool:
        """Nothing may be commanded now: not connected, settling, or stopping."""
        return not self.connected or self.stopping or self.settle_at is not None or not self.adopted

    @property
    def standstill(self) -> bool:
        """What comes now waited through a standstill of the daemon."""
        return self.stood_for is not None
