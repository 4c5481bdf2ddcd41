"""The air in the ducts: flows and velocities for any set of open gates. SI units inside, no I/O, plain floats.

It stands alone: it knows neither the rules nor the daemon.
"""
