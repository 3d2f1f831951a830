"""The jewel itself: what the shop stated, where it was fitted, which bore fits a pump, its rim."""
