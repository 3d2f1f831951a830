"""What is kept: one SQLite file, and what is forwarded from it."""
