"""Density."""
