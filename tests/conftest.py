"""One Hypothesis profile for all tests."""

import os

from hypothesis import settings

# No deadline: a busy machine is not a fault. Where CI is set, every run tries the same examples.
settings.register_profile("bench", deadline=None, max_examples=100)
settings.register_profile("check", deadline=None, max_examples=100, derandomize=True)
settings.load_profile("check" if os.environ.get("CI") else "bench")
