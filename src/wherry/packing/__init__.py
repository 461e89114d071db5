"""Request packing: which few requests fetch and put many points. Pure computation."""
