"""Logged days through the watcher: one machine, or many."""
