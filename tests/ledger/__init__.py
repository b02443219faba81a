"""Tests of `verifier.ledger`."""
