"""The recording of readings: all that the rules were given, on disk, so that a replay takes the same decisions.

`recorder` takes events from the control loop, `store` keeps the folder, `recording` reads a file again; what a file
looks like stands in `format`, `streams` and `columns`. Nothing here knows MQTT or decides anything.
"""
