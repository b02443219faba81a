"""Tests of verifier.manifest."""
