"""Settings every test shares."""

from hypothesis import settings

# The same examples on every run, and no deadline: a slow machine is no fault of the code.
settings.register_profile("geoqa", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("geoqa")
