"""Tests of verifier.tree."""
