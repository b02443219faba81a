"""What people decide about findings: what is covered, what never is, and that no record is ever half of one."""
