"""The access list in the form that Mosquitto's `acl_file` wants (mosquitto.conf(5))."""

from gatehand.access.rights import User

_HEAD = """\
# Who may say and hear what. Written by `gatehand access` from the config; write it anew when a topic changes.
# Nobody has a right that is not named here, and nobody gets in without a password (allow_anonymous false).
"""


def access_list(users: tuple[User, ...]) -> str:
    """The whole file as text."""
    parts = [_HEAD]
    for user in users:
        lines = [f"# {user.what}", f"user {user.name}"]
        lines += [f"topic {right} {topic}" for right, topic in user.rights]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)
