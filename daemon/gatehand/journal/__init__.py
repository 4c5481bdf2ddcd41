"""The event log: what happened and why, on disk, one line each.

`clock` and `line` make a line, `writer` puts it on disk by a thread of `threads`, `reader` finds it again, `sentences`
says it in words.
Nothing here knows MQTT or decides anything. What was seen stands in `gatehand.recording`.
"""
