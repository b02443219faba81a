"""The report's forms."""
