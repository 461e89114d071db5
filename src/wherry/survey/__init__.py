"""Find out what an unknown controller answers, by reading alone."""
