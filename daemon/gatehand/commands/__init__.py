"""The commands, one module each: `configure(parser)` adds its options, `run(args)` does it and gives the exit code.

The table of commands stands in `gatehand.cli`. A module here that begins with `_` is no command.
"""
