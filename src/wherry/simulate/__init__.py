"""Controllers that are not there: virtual time, moving values, and devices that answer as a plan says they do."""
