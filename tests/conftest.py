"""What all tests share: generated inputs are not held to a wall-clock speed, and in CI they are the same each time."""

import os

from hypothesis import settings

settings.register_profile("wherry", deadline=None, print_blob=True)
settings.register_profile("ci", deadline=None, print_blob=True, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "wherry")
