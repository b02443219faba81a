"""Tests of `verifier.messages`."""
