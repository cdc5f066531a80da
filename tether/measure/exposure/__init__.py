"""How a frame is exposed: its base, what is saturated, headroom, and the setting that is right."""
