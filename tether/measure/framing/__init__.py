"""Framing."""
