"""The daemon as a device of the Homie 5 convention: every screen that knows the convention shows the shop.

Read only, but for the hand start of each gate and the reset of each collector. Off unless `[homie] enabled = true`.
What there is to show, how it stands and what a controller may ask stands in `description`, when each is published in
`homie_device`, and the connection of its own in `homie_session`. Sections named in
the code are those of the convention's text, version 5.0.0 of 11 May 2025 (homieiot.github.io/specification).

All is published at QoS 1, retained, but for the moment of a reset (QoS 0, not retained): the convention prefers 2 and
takes 1 where it is the same throughout (section "QoS choices explained"). `$target` and `$log` are optional and not
used: the event log tells more than MQTT should carry.
"""
