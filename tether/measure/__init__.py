"""Pure functions over arrays, each with its unit and the source of its formula."""
