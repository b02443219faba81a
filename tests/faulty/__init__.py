"""A file system for tests: a real folder, seen through a mount on which chosen places misbehave."""
