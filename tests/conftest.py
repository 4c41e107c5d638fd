"""Settings for all tests."""

from __future__ import annotations

from dataclasses import asdict

import pytest
from hypothesis import settings

from tests.bench.ratios import Ratio, Report

# no deadline: a busy machine is not a failure; derandomized: a red run is red again
settings.register_profile("ellipsefit", deadline=None, derandomize=True)
settings.load_profile("ellipsefit")

#: These need libraries that are asked for by extras of their own.
collect_ignore = ["fuzz/covered.py", "mutation"]


@pytest.fixture
def report(request: pytest.FixtureRequest) -> Report:
    """Tell a ratio (name, plain way, seconds of ours, of the plain way, floor), and fail if it is below its floor."""

    def tell(name: str, against: str, ours: float, plain: float, floor: float) -> Ratio:
        one = Ratio(name, against, plain / ours, floor, ours)
        request.node.user_properties.append(("ratio", asdict(one)))
        print(f"\n{one}")
        assert one.ratio >= floor, str(one)
        return one

    return tell
