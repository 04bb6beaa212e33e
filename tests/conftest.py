"""Properties are tried on the same examples everywhere, so that a run says the same on every machine."""

from hypothesis import settings

settings.register_profile("same everywhere", derandomize=True, database=None, deadline=None)
settings.load_profile("same everywhere")
