"""The carrying programs that are compared, each run as a process of its own."""
