"""The terminal screens: thin, fed with values, answering with messages."""
