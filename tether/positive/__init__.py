"""Positives: from linear raw data to a picture to look at."""
