"""MQTT 5 properties at a price that a reading can pay.

paho builds a table of all 27 properties anew in each `Properties` and looks through all their names to empty or to pack
it; MQTT 5 makes one of every message that comes. That is a third of what it takes to read one (`tests/bench`, latency
and throughput). What is done here changes no byte on the wire; a test holds it beside paho's own.
"""

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties


def share_tables() -> None:
    """One copy of the tables for all of this process's `Properties`; only the packet's type is each one's own."""
    tables = vars(Properties(PacketTypes.PUBLISH))  # type: ignore[no-untyped-call]

    def begin(self: Properties, packet_type: int) -> None:
        vars(self).update(tables, packetType=packet_type)

    def clear(self: Properties) -> None:
        own = vars(self)
        for name in own.keys() - tables.keys():
            del own[name]

    Properties.__init__ = begin  # type: ignore[method-assign]
    Properties.clear = clear  # type: ignore[method-assign]


def prepared(properties: Properties) -> Properties:
    """The same, packed once for all messages that carry it; it must not be changed any more."""
    packed = properties.pack()  # type: ignore[no-untyped-call]
    vars(properties)["pack"] = lambda: packed
    return properties
