"""Delivery."""
