"""Trees: protection zones by regime, missing stems, and what a trench takes of them."""
