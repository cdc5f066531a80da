"""Focus."""
