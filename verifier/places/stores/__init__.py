"""Object stores: one file for each kind that is asked in its own way, and what they share."""
