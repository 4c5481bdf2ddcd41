"""Commissioning: every gate open and shut, every tool in turn, with the collector kept off. `gatehand exercise`.

What it does and how it judges knows no event loop, no MQTT library and no terminal: it asks and hears through the
small protocol in `bench`. Who looks for a place: what was heard is kept in `ears`, what must be so while gates move in
`attendant`, one gate in `gates`, one tool in `tools`, what measured times mean in `judge`, the order of it all in
`walk`, the report in `report`; `desk` is the real bench.
"""
