"""For `notify`: what of the shop's alarms is told to the owner's program, when, and that it is told once.

`entry` (one alarm as it is told), `heard` (which are active, by what the broker says) and `telling` (what is due when)
are pure: time is passed in. `runner` has the process, `digest` the day's, `memory` what outlives a restart, `service`
the loop around them.
"""
