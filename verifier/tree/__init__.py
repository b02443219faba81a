"""A file tree, seen read-only: names, entries, shares, listing and reading."""
