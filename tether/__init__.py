"""Tethered-capture session assistant for photographing film, frame by frame."""

__version__ = "0.1.0"
