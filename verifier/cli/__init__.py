"""The command line: one command, one file. Everything here is thin; the work is in the packages below."""
