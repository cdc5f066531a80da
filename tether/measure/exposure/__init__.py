"""Exposure."""
