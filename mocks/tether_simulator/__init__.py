"""The simulated bench: film, lamp, lens, sensor and a camera that speaks PTP/IP on loopback."""
