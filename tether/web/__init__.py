"""The terminal program in a browser on this machine. Optional: ``pip install '.[web]'``."""
