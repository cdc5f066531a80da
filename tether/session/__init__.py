"""The session: the roll, its checklist, the archive, and the way from a shutter to a kept frame."""
