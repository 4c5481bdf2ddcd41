"""A write that stalls costs a command its bound, once; a line in time costs nothing, and what is urgent never waits."""

from collections.abc import Mapping

from shell_support import FakeLog
from support.virtual_time import Clocks

from gatehand.journal.line import LogLine, OwnEvent, Stamper
from gatehand.shell.log_first import BOUND, LogFirst
from gatehand_rules.commands import CollectorOff, CollectorOn, Command
from gatehand_rules.findings import Fact, Happened, Rule


class Way:
    """The way out, and when each group of commands has left."""

    def __init__(self) -> None:
        self.clocks = Clocks()
        self.log = FakeLog(self.clocks)
        self.left: list[tuple[float, tuple[Command, ...]]] = []
        self.said: list[str] = []
        self.first = LogFirst(self.log, Stamper("run", self.clocks), self._send, self._say)

    def _say(self, level: str, text: str, facts: Mapping[str, Fact] | None = None) -> None:
        assert (level, facts) == ("error", None)
        self.said.append(text)

    def _send(self, commands: tuple[Command, ...], decided: float) -> None:
        del decided
        self.left.append((self.clocks.mono(), commands))

    def put(self, command: Command, rule: Rule = Rule.DEMAND) -> float:
        """Decide this now; how long it then took to leave."""
        began = self.clocks.mono()
        line: LogLine = {"event": Happened.COLLECTOR_ON, "rule": rule}
        self.first.put([line], (command,), began)
        assert self.left[-1][1] == (command,)
        return round(self.left[-1][0] - began, 3)

    @property
    def late(self) -> list[tuple[object, object]]:
        """As it is told by the next step, be it a mere beat."""
        self.first.put([], (), self.clocks.mono())
        return [(line["late"], line["stalled"]) for line in self.log.lines if line["event"] == OwnEvent.LOG_LATE]


ON, OFF = CollectorOn("main"), CollectorOff("main")


def test_a_line_that_is_written_in_time_costs_its_command_nothing() -> None:
    way = Way()
    assert way.put(ON) == 0
    assert way.late == []


def test_a_stall_costs_one_bound_and_is_told_once_when_it_is_over() -> None:
    way = Way()
    way.log.stalled = True
    assert [way.put(ON), way.put(OFF), way.put(ON)] == [BOUND, 0, 0]
    way.clocks.now += 1
    assert way.late == []
    way.log.flush()
    assert way.late == [(3, 1 + BOUND)]
    assert way.put(ON) == 0
    way.log.stalled = True
    assert way.put(ON) == BOUND, "the next stall is one of its own"
    way.log.flush()
    assert way.late[1:] == [(1, BOUND)]


def test_an_off_for_a_stop_or_for_shut_gates_waits_for_nothing_and_teaches_no_other_to_hurry() -> None:
    for rule in (Rule.STOP_CONTACT, Rule.FAN_AGAINST_SHUT_GATES):
        way = Way()
        way.log.stalled = True
        assert way.put(OFF, rule) == 0
        assert way.put(ON) == BOUND
    way = Way()
    way.log.stalled = True
    assert way.put(OFF, Rule.NO_DEMAND) == BOUND, "any other off waits for its line"


def test_lines_that_the_log_will_not_take_keep_no_command() -> None:
    way = Way()

    def broken(_lines: object) -> None:
        raise OSError("no more")

    way.log.append = broken  # type: ignore[assignment,method-assign]
    assert way.put(ON) == 0
    assert way.said == ["a line could not be given to the log: OSError: no more"]
