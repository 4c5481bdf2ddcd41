"""The picture for programs: what the daemon publishes, in one object."""

from gatehand.screen.picture import Picture


def as_json(picture: Picture) -> dict[str, object]:
    """`ok` is what the exit code says. Everything below a kind is as the daemon published it."""
    return {
        "ok": picture.is_well,
        "base": picture.base,
        "connected": picture.lost_because is None,
        "problem": picture.lost_because,
        "online": picture.online,
        "collectors": {name: said.facts for name, said in sorted(picture.collectors.items())},
        "gates": {name: said.facts for name, said in sorted(picture.gates.items())},
        "tools": {name: said.facts for name, said in sorted(picture.tools.items())},
        "alarms": {name: said.facts for name, said in sorted(picture.alarms.items())},
    }
