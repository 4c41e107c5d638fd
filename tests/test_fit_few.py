"""Too few segments to tell their form from the ellipse: said, and by how much it would count."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.campaign import AuditSettings, audit
from ellipsefit.fit import fit_ellipse
from ellipsefit.fit.few import SOME_FORM, form_change
from ellipsefit.profile import Profile, Quantity
from ellipsefit.simulate import hidden_state, invented_mirror, simulate_profile


def measured(segments: int, quantity: Quantity = "height") -> Profile:
    mirror, rng = invented_mirror(segments=segments, length=0.5 * segments), np.random.default_rng(4)
    noise = 5e-9 if quantity == "height" else 50e-9
    return simulate_profile(
        mirror, hidden_state(mirror, rng), rng, step=4e-3, noise=noise, figure=0.0, quantity=quantity
    )


@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_form_changes_the_ellipse_of_few_segments_as_is_said(quantity: Quantity) -> None:
    """Form laid on the second of three segments and fitted again: the same, as a twentieth of it is linear to 1 %."""
    mirror, profile = invented_mirror(segments=3, length=1.5), measured(3, quantity)
    fit = fit_ellipse(profile, mirror, residual="white", vary=("q", "theta"))
    part = mirror.segments[1]
    inside = (profile.x > part.start) & (profile.x < part.end)
    s = 2 * (profile.x[inside] - part.middle) / part.length
    terms = [(3 * s**2 - 1) / 2, (5 * s**3 - 3 * s) / 2]
    if quantity == "slope":
        terms = [6 * s / part.length, (15 * s**2 - 3) / part.length]
    changes = []
    for term in terms:
        values = profile.values.copy()
        values[inside] += SOME_FORM / 20 * term
        again = fit_ellipse(replace(profile, values=values), mirror, residual="white", vary=("q", "theta"))
        assert again.varied == fit.varied
        changes.append([getattr(again.ellipse, name) - getattr(fit.ellipse, name) for name in fit.varied])
    places = tuple(("p", "q", "theta").index(name) for name in fit.varied)
    parameters = np.array([fit.ellipse.p, fit.ellipse.q, fit.ellipse.theta])
    said = form_change(fit.problem, parameters, places, [1])
    assert_allclose(20 * np.linalg.norm(changes, axis=0), said, rtol=0.03)


def test_it_is_said_of_few_segments_whose_form_is_not_known() -> None:
    """Of three, not of five; nor of three whose form the mirror file states: that is in their uncertainty."""

    def told(fit_warnings: tuple[str, ...]) -> list[str]:
        return [text for text in fit_warnings if "form_uncertainty" in text]

    mirror = invented_mirror(segments=3, length=1.5)
    bare = fit_ellipse(measured(3), mirror)
    (note,) = told(bare.warnings)
    assert note.startswith("fewer than 5 segments don't tell form of their own")
    assert "100 nm of each would change " in note
    assert not told(fit_ellipse(measured(5), invented_mirror(segments=5, length=2.5)).warnings)
    known = tuple(replace(item, form=(0.0, 0.0), form_uncertainty=(SOME_FORM, SOME_FORM)) for item in mirror.segments)
    fit = fit_ellipse(measured(3), replace(mirror, segments=known))
    assert not told(fit.warnings)
    assert "p" in bare.varied  # which is not known any more, where form may be
    assert "p" not in fit.varied
    two = fit_ellipse(measured(3), replace(mirror, segments=(*known[:1], *mirror.segments[1:])))
    assert len(told(two.warnings)) == 1


def test_an_audit_of_few_segments_says_why_it_does_not_cover() -> None:
    mirror = invented_mirror(segments=2, length=1.0)
    few = audit(mirror, AuditSettings(campaigns=20))
    assert "their form of 100 nm" in str(few)
    assert "their form" not in str(audit(mirror, AuditSettings(campaigns=20, form=0.0)))
    assert "their form" not in str(audit(invented_mirror(segments=5, length=2.5), AuditSettings(campaigns=20)))
