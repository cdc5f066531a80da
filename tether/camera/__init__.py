"""The camera: found, driven from a process of its own, and spoken to by role.

Nothing here imports the driver's library: that happens in the driver's process alone.
"""
