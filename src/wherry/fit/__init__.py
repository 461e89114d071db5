"""From known values to the place, type, order and scale of a point: elimination decides, a posterior ranks."""
