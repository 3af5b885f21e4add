"""One recommendation per run with its reasons, quantities, cost and carbon."""
