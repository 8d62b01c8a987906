"""Results as documents for programs and as text for people."""
