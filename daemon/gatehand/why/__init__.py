"""Why something did or did not happen: told from the log's findings, with what would have changed it.

`scene` gathers what is known about a moment, `find` finds the moment when none is given, `of_tool`, `of_gate`,
`of_collector` and `of_daemon` find the case, each with its own sentence; `trial` replays the recording with changed
settings, so that no counterfactual is guessed; `say` puts it into text and JSON. Nothing here changes anything.
"""
