"""The camera: found, driven from a process of its own, and spoken to by role."""
