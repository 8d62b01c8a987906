"""What a person asks for: each job reads like the job, and prints nothing."""
