"""Terminal."""
