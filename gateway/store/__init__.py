"""The history: SQLite, one writer, many readers."""
