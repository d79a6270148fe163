"""What holds for every test: the same cases on each run, so that red is red for everybody."""

from hypothesis import settings

settings.register_profile("same every time", derandomize=True, deadline=None)
settings.load_profile("same every time")
