"""What the frames of a roll tell of each other."""
