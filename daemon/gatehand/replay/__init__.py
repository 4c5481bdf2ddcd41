"""Plays readings through the rules once more: from a logger's file, or from the recording, with this config or another.

`tracks` holds readings in columns, `csvfile` reads them from a logger's file, `player` steps the rules through them,
`lane` and `band` find the readings that decide nothing, `devices` stands in for gates and switches, `begin` brings a
shop to rest before the first reading. Nothing here writes to the log, to the recording or to a broker.
"""
