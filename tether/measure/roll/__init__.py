"""Roll."""
