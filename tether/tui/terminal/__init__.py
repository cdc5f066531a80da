"""What the terminal can show, and in which colours."""
