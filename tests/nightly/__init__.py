"""Tests of `verifier.nightly`."""
