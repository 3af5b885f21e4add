"""Data in: reading, mapping, checking, mending, and the depth along each run."""
