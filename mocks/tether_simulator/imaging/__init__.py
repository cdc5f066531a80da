"""From the lamp to the raw file: lamp, lens, sensor, exposure, and the files of a picture."""
