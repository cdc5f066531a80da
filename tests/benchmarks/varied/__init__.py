"""A bench that varies as life does: real photographs, and everything else drawn for each roll."""
