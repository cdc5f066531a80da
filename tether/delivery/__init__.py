"""A delivered roll: positives, contact sheet, sidecars, tables and a page."""
