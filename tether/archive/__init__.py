"""Archive."""
