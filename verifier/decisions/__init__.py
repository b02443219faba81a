"""What people decide about findings: exceptions that somebody accepts, and the sign-off."""
