"""Sleeve pages on a light table: where their strips and frames lie."""
