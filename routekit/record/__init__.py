"""From the site and back: what was built held against the plan, permits, what it teaches, care."""
