"""The history: what the daemon saw and said, in SQLite."""
