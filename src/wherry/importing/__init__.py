"""Other people's papers made into points of a plan: register tables, and devices that describe themselves (SunSpec)."""
