"""Tests of verifier; the folders are those of the package."""
