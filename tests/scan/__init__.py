"""Tests of verifier.scan."""
