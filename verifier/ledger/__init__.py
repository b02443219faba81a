"""The ledger: every run of a job and every step of its migration, each tied to the one before it."""
