"""From the camera's card to the archive: transfer, filing, and what an interruption left."""
