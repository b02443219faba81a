"""Tests of `verifier.schedules`."""
