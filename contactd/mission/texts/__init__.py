"""What people are told, in words: one place for each kind of fact, used by every face."""
