"""How sharp the grain is, in a raw file and in the live view, against the roll's own frames."""
