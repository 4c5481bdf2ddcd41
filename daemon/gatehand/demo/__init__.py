"""`gatehand demo`: an embedded broker, a simulated shop and the real daemon in one process, and a working day.

Nothing of the daemon depends on this package. The devices stand in `gatehand.simshop`; here are the shop's config
(shop.toml), its day, what is shown of it, and what is expected of it.
"""
