"""The light without film: level, evenness, pattern, flicker, and the flat field."""
