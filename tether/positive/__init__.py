"""Positives: from the linear raw data of a frame to a picture that can be looked at."""
