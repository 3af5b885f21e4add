"""The terminal: how stages, tables and paragraphs stand on it. Nothing is decided here."""
