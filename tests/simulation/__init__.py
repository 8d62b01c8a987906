"""A simulated year: the real shifts, hours and ledger, with simulated disks, people and time."""
