"""The page for residents: plain words and a map, one file, only what may be public."""
