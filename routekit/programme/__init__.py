"""When each package of works is done, and where the flow goes meanwhile."""
