"""What only `gatehand replay` needs: a logger's file through a config, or a recording through its own and another.

`play_csv` plays the file, `history` both runs of the recording, `compare` counts them and shows what differs.
"""
