"""The screens. They know the snapshot and the history protocol only."""
