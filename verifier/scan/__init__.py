"""From a tree to a manifest: listing, then reading with several readers at once."""
