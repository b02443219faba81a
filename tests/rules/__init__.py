"""Rules: patterns, guards, claims, rule files, and the catalogue that ships."""
