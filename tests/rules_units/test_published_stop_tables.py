"""Our stop and reset, walked along the state tables of two published safety function blocks, transition by transition.

Published: PLCopen Technical Committee 5, Safety Software, Part 1, version 2.01 (2020-02): SF_EmergencyStop with its
states IDLE 0000, INIT 8001, WAIT_FOR_IN_1 8802, WAIT_FOR_RESET_1 8402, OUT_ENABLED 8000, WAIT_FOR_IN_2 8804,
WAIT_FOR_RESET_2 8404, ERR_RESET_1 C001, ERR_RESET_2 C011 (in version 1.0 the waiting states were 8002 to 8005), and
SF_ResetButton with IDLE 0000, WAIT_R_TRIG 83E2, WAIT_F_TRIG 83F2, RESET_DETECTED 8000, ERR_PARAM C000, ERR_RESET C001,
ERR_TRAIL_MAX C3E0, ERR_TRAIL_MIN C3F0, as the vendors' public library pages list them with what each state means. The
transitions are those that these meanings state. We stand where S_StartReset and S_AutoReset are FALSE.

Gatehand is no safety device and these tests claim no conformity: the tables are a second opinion on what a reset is.
"""

from collections.abc import Callable

import pytest
from unit_bench import Bench, commands, gate, ready, running, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.shop import Shop, StopContact
from gatehand_rules.state import Held
from gatehand_rules.timing import Timing

Act = Callable[["Block"], None]


class Block:
    """The rules behind the inputs and outputs of the blocks. Each input comes 3 s after the one before it."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.refused = ""

    def hear(self, event: ev.Event, after: float = 3.0) -> None:
        said = self.bench.tell(event, round(self.bench.now + after, 6))
        refusals = [line.split()[0] for line in said if line.startswith("reset_refused")]
        self.refused = refusals[0].removeprefix("reset_refused/") if refusals else ""

    @property
    def out_enabled(self) -> bool:
        """S_EStopOut: whether a fresh demand may start the collector; both layers must say the same."""
        fan, guard = self.bench.fan_state(), self.bench.state.guard.fans[0]
        assert isinstance(fan.phase, Held) is guard.latched
        return not guard.latched

    @property
    def demanded(self) -> bool:
        """SafetyDemand: S_EStopIn is FALSE."""
        return self.bench.state.stops[0]

    @property
    def state(self) -> str:
        """The published state that ours stands for."""
        if self.out_enabled:
            return "OUT_ENABLED"
        if self.demanded:
            return "ERR_RESET_2" if self.refused else "WAIT_FOR_IN_2"
        return "WAIT_FOR_RESET_2"


def stop_shop() -> Shop:
    return shop(tool(), gate(), StopContact(name="estop", collectors=("main",)))


def press_stop(block: Block) -> None:
    """S_EStopIn falls."""
    block.hear(ev.StopReport("estop", active=True))


def free_stop(block: Block) -> None:
    """S_EStopIn rises."""
    block.hear(ev.StopReport("estop", active=False))


def reset(block: Block) -> None:
    """Reset rises, by message: a message has no falling edge."""
    block.hear(ev.ResetAsked("main"))


def button_down(block: Block) -> None:
    """ResetIn rises."""
    block.hear(ev.ResetButton("main", pressed=True))


def button_up(block: Block) -> None:
    """ResetIn falls a second later."""
    block.hear(ev.ResetButton("main", pressed=False), 1.0)


def enabled() -> Block:
    return Block(ready(stop_shop()))


def after(*acts: Act) -> Block:
    block = enabled()
    for act in acts:
        act(block)
    return block


EMERGENCY_STOP: list[tuple[str, tuple[Act, ...], Act, str]] = [
    ("OUT_ENABLED", (), press_stop, "WAIT_FOR_IN_2"),
    ("WAIT_FOR_IN_2", (press_stop,), press_stop, "WAIT_FOR_IN_2"),
    ("WAIT_FOR_IN_2", (press_stop,), reset, "ERR_RESET_2"),
    ("WAIT_FOR_IN_2", (press_stop,), button_down, "ERR_RESET_2"),
    ("WAIT_FOR_IN_2", (press_stop,), free_stop, "WAIT_FOR_RESET_2"),
    ("ERR_RESET_2", (press_stop, button_down), button_up, "WAIT_FOR_IN_2"),
    ("ERR_RESET_2", (press_stop, reset), press_stop, "WAIT_FOR_IN_2"),
    ("WAIT_FOR_RESET_2", (press_stop, free_stop), press_stop, "WAIT_FOR_IN_2"),
    ("WAIT_FOR_RESET_2", (press_stop, free_stop), reset, "OUT_ENABLED"),
    ("WAIT_FOR_RESET_2", (press_stop, free_stop, button_up, button_down), button_up, "OUT_ENABLED"),
]


@pytest.mark.parametrize(("before", "way", "act", "then"), EMERGENCY_STOP)
def test_each_transition_of_the_emergency_stop_block_is_ours(
    before: str, way: tuple[Act, ...], act: Act, then: str
) -> None:
    block = after(*way)
    assert block.state == before
    act(block)
    assert block.state == then


def test_a_reset_that_is_true_since_before_the_stop_was_freed_does_not_enable() -> None:
    """ERR_RESET_2 to WAIT_FOR_IN_2 wants Reset FALSE: freeing the stop under a held reset leads nowhere."""
    block = after(press_stop, button_down, free_stop)
    assert block.state == "WAIT_FOR_RESET_2"
    button_up(block)
    assert block.state == "WAIT_FOR_RESET_2", "the fall of a reset that was true before is no edge"


def test_the_rising_edge_alone_enables_nothing() -> None:
    """Differs on purpose: the block enables on the rise, ours on the fall, as SF_ResetButton does."""
    block = after(press_stop, free_stop, button_up)
    button_down(block)
    assert block.state == "WAIT_FOR_RESET_2"
    button_up(block)
    assert block.state == "OUT_ENABLED"


def test_a_freed_stop_enables_nothing_by_itself() -> None:
    """S_AutoReset is FALSE and there is no key for TRUE: whoever freed the stop may have hands in the machine."""
    block = after(press_stop, free_stop)
    block.bench.until(block.bench.now + 3600.0)
    assert block.state == "WAIT_FOR_RESET_2"


def test_enabled_starts_nothing_without_a_fresh_demand() -> None:
    """Goes further than the block, whose output follows the reset: what drew through the stop starts nothing (I5)."""
    block = Block(running(stop_shop()))
    for act in (press_stop, free_stop, reset):
        act(block)
    assert block.state == "OUT_ENABLED"
    assert "on main" not in commands(block.bench.until(block.bench.now + 600.0))


def started(*heard: ev.Event) -> Block:
    """The daemon has just started."""
    bench = Bench(stop_shop())
    bench.tell(ev.BrokerConnected(), 0.0)
    for event in heard:
        bench.tell(event, 0.1)
    bench.tick(0.5)
    return Block(bench)


def test_started_with_the_stop_active_it_waits_for_the_stop_and_then_for_a_reset() -> None:
    """INIT 8001 to WAIT_FOR_IN_1 8802, WAIT_FOR_RESET_1 8402, OUT_ENABLED; ERR_RESET_1 C001 on the way."""
    block = started(ev.StopReport("estop", active=True, retained=True))
    assert not block.out_enabled
    reset(block)
    assert (block.out_enabled, block.refused) == (False, "stop_contact")
    free_stop(block)
    assert not block.out_enabled
    reset(block)
    assert block.out_enabled


def test_started_with_the_stop_clear_it_wants_a_fresh_demand_in_place_of_a_reset() -> None:
    """Differs on purpose from INIT to WAIT_FOR_RESET_1: power that comes back holds nothing and starts nothing."""
    block = started(ev.StopReport("estop", active=False, retained=True), ev.Reading("saw", 6.0))
    assert block.out_enabled
    assert "on main" not in commands(block.bench.until(600.0))


def test_a_hold_outlives_the_deactivation_of_the_block() -> None:
    """Differs on purpose from IDLE 0000 and INIT: a hold of before is remembered, though the stop may be clear."""
    block = started(ev.StopReport("estop", active=False, retained=True), ev.HoldRemembered("main", "estop"))
    assert block.state == "WAIT_FOR_RESET_2"
    reset(block)
    assert block.state == "OUT_ENABLED"


# --- SF_ResetButton


def requested() -> Block:
    """ResetRequested is TRUE: held, the stop is free; nothing was heard of the button since."""
    return after(press_stop, free_stop)


def waiting() -> Block:
    """WAIT_R_TRIG 83E2: ResetIn is known to be FALSE."""
    block = requested()
    button_up(block)
    return block


def down() -> Block:
    """WAIT_F_TRIG 83F2: ResetIn is TRUE."""
    block = waiting()
    button_down(block)
    return block


def let_go(block: Block, held_for: float) -> None:
    block.hear(ev.ResetButton("main", pressed=False), held_for)


@pytest.mark.parametrize("held_for", [0.1, 0.35, 2.0])
def test_reset_detected_8000_comes_with_the_falling_edge(held_for: float) -> None:
    block = down()
    assert not block.out_enabled
    let_go(block, held_for)
    assert block.out_enabled


def test_err_trail_min_c3f0_too_short_a_press_waits_for_the_next() -> None:
    block = down()
    let_go(block, 0.05)
    assert (block.out_enabled, block.refused) == (False, "reset_press")
    button_down(block)
    button_up(block)
    assert block.out_enabled


def test_err_trail_max_c3e0_too_long_a_press_waits_for_the_next() -> None:
    block = down()
    let_go(block, 2.001)
    assert (block.out_enabled, block.refused) == (False, "reset_press")
    button_down(block)
    button_up(block)
    assert block.out_enabled


def test_err_reset_c001_true_when_the_reset_is_requested() -> None:
    block = after(press_stop, free_stop)
    button_down(block)
    assert (block.out_enabled, block.refused) == (False, "reset_press")
    button_up(block)
    assert not block.out_enabled, "its fall leads to WAIT_R_TRIG and no further"
    button_down(block)
    button_up(block)
    assert block.out_enabled


def test_a_button_of_which_nothing_was_heard_counts_as_pressed() -> None:
    """Differs on purpose: an input always has a value, a topic may have said nothing since, and a word kept is old."""
    block = requested()
    block.hear(ev.ResetButton("main", pressed=False, retained=True))
    button_down(block)
    assert (block.out_enabled, block.refused) == (False, "reset_press")


def test_idle_0000_without_a_request_a_press_leads_nowhere() -> None:
    block = enabled()
    for act in (button_up, button_down, button_up):
        act(block)
    press_stop(block)
    free_stop(block)
    assert block.state == "WAIT_FOR_RESET_2", "what was pressed before the hold is no press after it"


def test_err_param_c000_cannot_be_since_the_bounds_are_no_parameters() -> None:
    """Differs on purpose: TrailingMinimum is its absolute minimum of 100 ms, for topics tell a press late and short."""
    assert (Timing().reset_shortest, Timing().reset_longest) == (0.1, 2.0)
