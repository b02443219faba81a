"""Accepting by name and signing off."""
