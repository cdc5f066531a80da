"""The page about a roll: what it shows, its plots, its template and its style."""
