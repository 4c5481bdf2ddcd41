"""Every alarm ends when its cause has: looked at from outside, by what the broker shows when nothing is wrong any more.

At the end of a day every device is mended, every hold reset, every tool has been used or rests. An alarm that the
broker still shows then has outlived its cause, whatever the daemon thinks of it.
"""

import json
from collections.abc import Container

from sim_world import World
from support.monitor_notes import Breach


def standing(world: World) -> dict[str, str]:
    """The alarms that a screen shows, and why."""
    prefix = f"{world.config.broker.base}/alarm/"
    return {
        topic.removeprefix(prefix): str(json.loads(payload).get("because"))
        for topic, payload in world.broker.retained.items()
        if topic.startswith(prefix) and payload
    }


def alarm_id(fan: str) -> str:
    """The alarm about a fan that turned without air."""
    return f"collector.{fan}.shut_gates"


def outlived(world: World, when: str, forgiven: Container[str] = ()) -> list[Breach]:
    """Alarms that stand although all is well."""
    return [
        Breach(world.clocks.now, "alarm", f"{when} {name} still stands: {why}")
        for name, why in sorted(standing(world).items())
        if name not in forgiven
    ]
