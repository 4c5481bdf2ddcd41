"""What a shop did in a time: hours, cuts, starts, energy, what went wrong, and what upkeep is due. From the event log.

`account` reads the log once, `upkeep` and `energy` add what they know, `say` puts it into text and JSON, `page` and
`charts` make one HTML page of it. Nothing here decides or changes anything; `done` is kept in a file of its own.
"""
