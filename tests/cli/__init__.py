"""The command line: exit codes, one line for every error, nothing written where nothing may be."""
