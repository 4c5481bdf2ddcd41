"""Reads what was, and plays it through the rules again: what `replay`, `why`, `tune` and `report` share.

`recordings` opens what the daemon recorded, `csv_readings` a logger's file; `stretches` holds either in columns.
`player` steps the rules through them, `deadband` passes over the readings that decide nothing, `replay_devices` stands
in for gates and switches. `account` counts what a run or the event log shows. Nothing here writes to the log, to the
recording or to a broker.
"""
