"""The audit of a user's own mirror: same numbers however it is run, and a verdict that can be no as well as yes."""

from __future__ import annotations

import functools
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.campaign import Audit, AuditSettings, audit
from ellipsefit.errors import ParameterError
from ellipsefit.simulate import invented_mirror

MIRROR = invented_mirror(segments=5, length=6.0)
SETTINGS = AuditSettings(campaigns=20, step=20e-3)


@functools.cache
def honest() -> Audit:
    return audit(MIRROR, SETTINGS)


def test_the_default_fit_covers_on_an_invented_mirror() -> None:
    found = honest()
    assert found.covers
    names = {item.name for item in found.quantities}
    assert {"q", "theta", "image_dx", "first segment's tilt"} <= names
    for item in found.quantities:
        assert_allclose(item.stated, item.scatter, rtol=1.0)  # 20 campaigns: scatter known to 16 %
    assert "stated intervals cover" in str(found)
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["covers"] is True


def test_an_executor_changes_nothing() -> None:
    with ThreadPoolExecutor(2) as executor:
        assert audit(MIRROR, SETTINGS, executor=executor).quantities == honest().quantities


def test_fixed_segments_with_white_residuals_do_not_cover() -> None:
    """The plain fit: claims too little by far, and the audit says so."""
    found = audit(MIRROR, SETTINGS, segments="fixed", residual="white", vary=("p", "q", "theta"))
    assert not found.covers
    theta = next(item for item in found.quantities if item.name == "theta")
    assert theta.scatter > 5 * theta.stated
    assert "DOES NOT COVER" in str(found)


@pytest.mark.parametrize(
    ("key", "value"), [("x_uncertainty", 50e-3), ("sag_uncertainty", 400e-9), ("gain_uncertainty", 5e-3)]
)
def test_errors_that_all_points_share_are_simulated_as_they_are_stated(key: str, value: float) -> None:
    """One that dominates: the scatter of theta (of p for the x origin) grows as the stated uncertainty does."""
    changes: dict[str, Any] = {key: value}
    mirror = replace(MIRROR, measurement=replace(MIRROR.measurement, **changes))
    found = audit(mirror, SETTINGS, segments="free", vary=("p", "q", "theta"))
    for item in found.quantities:
        if item.name in ("p", "q", "theta"):
            # 20 campaigns: a standard deviation to 16 %, 3.5 of them
            assert abs(np.log(item.scatter / item.stated)) < 3.5 * 0.16


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"campaigns": 10}, "campaigns must be from 20"),
        ({"noise": -1.0}, "noise must not be negative"),
        ({"form": float("nan")}, "form must not be negative"),
        ({"step": 0.0}, "step must be positive"),
        ({"quantity": "depth"}, "quantity must be height or slope"),
    ],
)
def test_settings_out_of_range_are_named(options: dict[str, Any], what: str) -> None:
    with pytest.raises(ParameterError, match=what):
        AuditSettings(**options)
