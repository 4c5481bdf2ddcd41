"""Who may say and hear what on the broker, worked out from the config."""

from gatehand.access.mosquitto import access_list
from gatehand.access.rights import Right, User, users

__all__ = ["Right", "User", "access_list", "users"]
