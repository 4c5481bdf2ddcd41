"""Which topics a filter matches, after MQTT 5.0 section 4.7: what a broker knows, for those that the tests play.

Iterative, so that no number of levels can exhaust the stack.
"""

from gatehand.mqtt.paho_client import filter_problem


def topic_problem(topic: str) -> str | None:
    """Why `topic` cannot be published to, in words that end a sentence about it; None when it can."""
    for wildcard in "#+":
        if wildcard in topic:
            return f"holds the wildcard {wildcard!r}; a message goes to one topic, so name it in full"
    return filter_problem(topic)


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a message to `topic` reaches a subscriber of `topic_filter`. What is not valid matches nothing.

    A filter that begins with a wildcard does not match topics that begin with `$` (section 4.7.2).
    """
    if filter_problem(topic_filter) or topic_problem(topic):
        return False
    if topic[0] == "$" and topic_filter[0] in "#+":
        return False
    wanted = topic_filter.split("/")
    found = topic.split("/")
    for number, level in enumerate(wanted):
        if level == "#":
            return True  # the parent level too: "sport/#" matches "sport" (section 4.7.1.2)
        if number >= len(found) or (level not in {"+", found[number]}):
            return False
    return len(wanted) == len(found)
