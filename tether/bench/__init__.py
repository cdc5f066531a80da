"""Readying the bench: its steps, camera check, light test, base exposure and focus."""
