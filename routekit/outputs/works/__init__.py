"""Works plans: what is done where in each street, and what protects its trees meanwhile."""
