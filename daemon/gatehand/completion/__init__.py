"""Completion in shells: what every command takes, read from its own parser, written as bash, zsh or fish want it."""
