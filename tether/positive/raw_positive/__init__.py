"""Raw positives: a DNG that opens as a positive, with the camera's own values in it."""
