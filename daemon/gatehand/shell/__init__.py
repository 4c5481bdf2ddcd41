"""The thin daemon around the rules: message -> event -> `step` -> log, then publish. Decides nothing about the shop.

Who looks for a place: topics to events stand in `routes`, commands to messages in `encode_commands`, the order "log,
then publish" in `log_first`, what screens are shown in `status`, `alarms` and `state_publisher`, all of it tied
together in `engine` (no asyncio, no clock of its own), and the process around that in `daemon`.
"""
