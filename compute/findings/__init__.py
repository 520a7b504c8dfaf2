"""What a last look at a measurement should settle: each finding is one small function."""
