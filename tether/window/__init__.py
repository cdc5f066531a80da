"""A window beside the terminal: takes at full size, and the roll as it fills up."""
