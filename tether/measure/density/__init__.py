"""Density of a frame and of a step tablet, over the open gate (ISO 5-2)."""
