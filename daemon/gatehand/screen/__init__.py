"""The shop as heard from the broker, and how it is shown: shared by `gatehand watch` and `gatehand status`.

Needs nothing but the daemon's retained status messages, so it works from any machine. Who looks for a place: what was
heard is kept in `daemon_status`, `page` makes `lines` of it, of the parts in `layout` and the columns in `rows`;
`listen` keeps the connection, `live` is the terminal.
"""
