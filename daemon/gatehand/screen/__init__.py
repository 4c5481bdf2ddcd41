"""The shop as heard from the broker, and how it is shown: shared by `gatehand watch` and `gatehand status`.

Needs nothing but the daemon's retained status messages, so it works from any machine. Who looks for a place: one
message is read in `said`, all of them together are the `picture`, `parts` and `layout` make lines of it, `listen` keeps
the connection, `live` is the terminal, `options` finds the broker.
"""
