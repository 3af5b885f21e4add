"""Techniques of renewal and what rules each of them out."""
