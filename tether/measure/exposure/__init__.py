"""How a frame is exposed: base, saturation, headroom, and the setting that is right."""
