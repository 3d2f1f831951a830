"""The whole life of a jewel: which one to fit, what it costs, and what its rim looks like."""
