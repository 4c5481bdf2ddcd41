"""The event log and the recording of readings: what happened, why, and what was seen, on disk.

`clock` and `line` make a line, `writer` puts it on disk, `reader` finds it again, `sentences` says it in words;
`recorder` and `recording` write and read the readings. Nothing here knows MQTT or decides anything.
"""
