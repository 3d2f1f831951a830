"""The shop at one moment, and what follows from it: chances, changes, orders, costs."""
