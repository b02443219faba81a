"""One night's run: what the ledger remembers, a check within its time window, and who is told what is new."""
