"""Measurements against other stacks: ``make bench``. Every row is a ratio of two things measured in the same run."""
