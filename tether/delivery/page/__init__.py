"""Page."""
