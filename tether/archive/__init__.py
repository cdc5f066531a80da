"""The archive: one database, a folder for each roll, and what keeps a captured file safe."""
