"""The shop on a phone, for `gatehand page`: a process of its own, which hears the broker as `watch` does.

`parts` and `tiles` word what is shown, `live` keeps it true and hands out what has changed, `app` answers browsers,
`page.html` is all that a browser gets. `door` is around every answer and asks `guard` (pure) who may come in, and how
often; `pairing` knows the phones that are paired, `hands` asks the daemon for them, `log_questions` asks the event log.
`server` is the process, `connections` bounds what browsers take of it. The daemon imports nothing of it.
"""
