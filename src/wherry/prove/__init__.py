"""What a plan must be shown to do, and what the showing is worth: pure computation."""
