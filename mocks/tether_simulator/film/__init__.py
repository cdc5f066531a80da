"""The film: pictures, emulsion, edges and damage, drawn as light that passes through."""
