"""Steps that several commands begin with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from ellipsefit.cli.options import CampaignOptions, options_named

if TYPE_CHECKING:
    from ellipsefit.fit import EllipseFit


def fitted(mirror: Path, profile: Path, model: CampaignOptions, tell: Callable[[str], object]) -> EllipseFit:
    """Fit of a profile, from files and options."""
    import ellipsefit as ef

    settings = model.settings()
    with options_named("segments", "residual"):
        tell("reading")
        design, measured = ef.read_mirror(mirror), ef.open_profile(profile)
        earlier = None
        if model.previous is not None:
            earlier = ef.read_previous(model.previous, design, stability=model.steadiness)
        tell("fitting")
        return ef.fit_ellipse(measured, design, previous=earlier, **settings)
