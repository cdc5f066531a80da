"""Raw files: opened through LibRaw into linear mosaics with their levels."""
