"""What all tests share."""

from hypothesis import settings

# No deadlines: speed is measured in tests/benchmarks, as ratios.
settings.register_profile("contactd", deadline=None, derandomize=True, max_examples=60)
settings.register_profile("thorough", deadline=None, max_examples=2000)
settings.load_profile("contactd")
