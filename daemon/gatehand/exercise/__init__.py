"""Commissioning: every gate open and shut, every tool in turn, with the collector kept off. `gatehand exercise`.

What it does and how it judges knows no event loop, no MQTT library and no terminal: it asks and hears through the
few methods of `terminal_io`. Who looks for a place: what was heard is kept in `observed_state`,
what must be so while gates move in `supervisor`, one gate and what its times mean in `one_gate`, one tool in
`one_tool`, a stop contact or a button in `one_press`, the order of it all in `walk`, what was found and how that is
shown in `results`. Another exercise is `time_limit`: there the fan turns, and its switch must go off by itself; what it
shows meanwhile is kept in `fan_seen`, what that means in `limit_result`.
"""
