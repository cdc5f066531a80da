"""What is on the film and in the file: edge code, blank frames, repeats, dust, damage."""
