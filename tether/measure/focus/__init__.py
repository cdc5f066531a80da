"""How sharp the grain is, in raw files and in the live view, against the roll's frames."""
