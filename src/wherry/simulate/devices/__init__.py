"""Fifteen devices that misbehave, each by a label (S1 to S15), with a small plan that meets it."""
