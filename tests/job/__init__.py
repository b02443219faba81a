"""Tests of `verifier.job`."""
