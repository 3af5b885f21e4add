"""Plane geometry on arrays: vectors, strips, shadows, and places along a line."""
