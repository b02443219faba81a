"""The job file: what is held against what, night after night (`migration.toml`)."""
