"""Reconciling: the join, pairing, judging, the account, and whole trees with known differences."""
