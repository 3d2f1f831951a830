"""Look at a shop's own log: what form it has, what its columns are, and the machine file."""
