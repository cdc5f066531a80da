"""The page about a roll, and its plots."""
