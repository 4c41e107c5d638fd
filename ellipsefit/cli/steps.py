"""Steps that several commands begin with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from ellipsefit.cli.options import CampaignOptions, options_named

if TYPE_CHECKING:
    from ellipsefit.fit import EllipseFit


def fitted(
    mirror: Path,
    profile: Path,
    model: CampaignOptions,
    tell: Callable[[str], object],
    record: Path | None = None,
) -> EllipseFit:
    """Fit of a profile, from files and options; the record in which it will be kept is one of this mirror."""
    import ellipsefit as ef
    from ellipsefit.cli.recording import check_record

    settings = model.settings()
    with options_named("segments", "residual"):
        tell("reading")
        design, measured = ef.read_mirror(mirror), ef.open_profile(profile)
        check_record(record, design.name)
        earlier = None
        if model.previous is not None:
            earlier = ef.read_previous(model.previous, design, stability=model.steadiness)
        tell("fitting")
        return ef.fit_ellipse(measured, design, previous=earlier, **settings)
