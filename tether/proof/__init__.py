"""Proofs: sleeve pages photographed whole, their frames found, and chosen before they are shot."""
