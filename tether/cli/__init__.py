"""The commands: what each takes, and which part of the program answers it."""
