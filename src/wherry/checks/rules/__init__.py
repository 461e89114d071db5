"""One module for each finding, named after it; each holds ``RULE``."""
