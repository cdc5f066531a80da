"""The camera: body, dials, card and the pictures on it, and a way to it without a cable."""
