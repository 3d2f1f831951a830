"""What an alert says, and later how it is sent."""
