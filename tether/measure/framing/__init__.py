"""Where the picture lies on the sensor."""
