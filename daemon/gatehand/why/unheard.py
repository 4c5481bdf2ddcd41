"""What of the subject had never been heard at the moment, and what its button said instead of its word for pressed."""

from collections.abc import Iterator

from gatehand.journal.line import SIGNAL_HEARD, SIGNAL_UNHEARD
from gatehand.why.not_understood import could_not_be_used
from gatehand.why.scene import Scene
from gatehand_rules.findings import Happened, Rule


def unheard(scene: Scene) -> Iterator[str]:
    """Remarks, each without a full stop."""
    seen: set[str] = set()
    button = scene.kind == "gate"
    for one in scene.in_this_run(scene.at_ms):
        if one.text(scene.kind) != scene.name:
            continue
        if one.is_(SIGNAL_UNHEARD, SIGNAL_HEARD) and (topic := one.text("topic")) not in seen:
            seen.add(topic)
            if one.is_(SIGNAL_UNHEARD):
                yield f"never heard: {topic}, its {one.text('key')}: the topic is another, or the device is away"
        elif button and one.text("rule") == Rule.BUTTON:
            button = False  # it has been understood since
        elif button and one.is_(Happened.READING_REJECTED) and one.text("why").startswith("button:"):
            button = False
            yield could_not_be_used(one)
