"""A manifest: everything one scan found out about one tree, in a SQLite file of its own."""
