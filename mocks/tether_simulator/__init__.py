"""Tether simulator."""
