"""Settings for all tests."""

from __future__ import annotations

from hypothesis import settings

# no deadline: a busy machine is not a failure; derandomized: a red run is red again
settings.register_profile("ellipsefit", deadline=None, derandomize=True)
settings.load_profile("ellipsefit")
