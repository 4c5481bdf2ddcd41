"""A shop without hardware: tools, gates, collectors and contacts as plain models that time and messages drive.

Built from any config, so that it speaks that config's topics, payloads, pointers and scales. The demo plays its day
with it over real MQTT; the fault simulation drives the same models under virtual time. No asyncio, no clock, no MQTT
library and nothing of the rules may enter here. `sim_shop` is the door: `SimShop`, all devices under one time.
"""
