"""What all tests share: generated inputs are not held to a wall-clock speed."""

from hypothesis import settings

settings.register_profile("wherry", deadline=None, print_blob=True)
settings.load_profile("wherry")
