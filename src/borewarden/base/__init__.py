"""What every other part may lean on, and that leans on none of them."""
