"""A new line for a sewer between two manholes, on arrays: sought and measured."""
