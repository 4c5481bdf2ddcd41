"""A shop without hardware: tools, gates, collectors and contacts as plain models that time and messages drive.

Built from any config, so that it speaks that config's topics, payloads, pointers and scales. The demo plays its day
with it over real MQTT; the fault simulation drives the same models under virtual time. No asyncio, no clock, no MQTT
library and nothing of the rules may enter here.
"""

from gatehand.simshop.collector import CollectorHabits, CollectorModel
from gatehand.simshop.device import Agenda, ContactModel, Reporter, Sent
from gatehand.simshop.gate import GateHabits, GateModel, GateTrouble
from gatehand.simshop.sim_shop import Habits, SimShop
from gatehand.simshop.tool import Inrush, ToolHabits, ToolModel

__all__ = [
    "Agenda",
    "CollectorHabits",
    "CollectorModel",
    "ContactModel",
    "GateHabits",
    "GateModel",
    "GateTrouble",
    "Habits",
    "Inrush",
    "Reporter",
    "Sent",
    "SimShop",
    "ToolHabits",
    "ToolModel",
]
