"""What the watcher remembers: the embedded store, an SQLite file in write-ahead mode."""
