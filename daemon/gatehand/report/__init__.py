"""What a shop did in a time: hours, cuts, starts, energy, what went wrong, and what upkeep is due. From the event log.

`summary` brings it together from the account of the log, `upkeep_due` and `energy`, and puts it into JSON;
`plain_text` into text, `html_page` into one page with charts. Nothing here decides or changes anything; what was done
is kept in a file of its own.
"""
