"""Accepting findings by name, signing a check off, and looking later whether that still stands."""
