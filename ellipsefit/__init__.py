"""From measured profiles to adjuster moves for long segmented elliptic grazing-incidence mirrors.

>>> import ellipsefit as ef
>>> mirror, profile, truth = ef.demo_mirror()
>>> fit = ef.fit_ellipse(profile, mirror)
>>> plan = ef.plan_corrections(fit)
>>> plan.feasible
True

All numbers are SI: m and rad. Names are loaded when they are first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from ellipsefit.align import CorrectionPlan, plan_corrections
    from ellipsefit.align.comparison import compare_round
    from ellipsefit.batch import BatchSettings, run_batch
    from ellipsefit.ellipse import Ellipse
    from ellipsefit.errors import EllipsefitError
    from ellipsefit.files import (
        open_profile,
        read_batch,
        read_beam,
        read_carrier,
        read_mirror,
        read_previous,
        read_profile,
        read_scans,
        read_survey,
        read_surveys,
        write_carrier,
        write_mirror,
        write_profile,
        write_survey,
    )
    from ellipsefit.fit import EllipseFit, Previous, Prior, fit_ellipse, parse_prior, previous_campaign
    from ellipsefit.focus import Beam, FocusResult, allocate_tolerances, trace_focus
    from ellipsefit.foreseen import foresee_light
    from ellipsefit.halls import demo_halls
    from ellipsefit.history import read_record_history
    from ellipsefit.job import run_job
    from ellipsefit.mirror import Adjuster, Measurement, Mirror, Segment, Tolerance
    from ellipsefit.place import (
        Carrier,
        Placement,
        Survey,
        compare_surveys,
        forecast_seasons,
        pair_carriers,
        place_carrier,
    )
    from ellipsefit.practice import draw_faults, practice_mirror
    from ellipsefit.profile import Profile, place_profile
    from ellipsefit.scan import Scan
    from ellipsefit.simulate import demo_mirror, demo_scans
    from ellipsefit.stitching import Stitched, StitchSettings, plan_scans, stitch

__all__ = [
    "Adjuster",
    "BatchSettings",
    "Beam",
    "Carrier",
    "CorrectionPlan",
    "Ellipse",
    "EllipseFit",
    "EllipsefitError",
    "FocusResult",
    "Measurement",
    "Mirror",
    "Placement",
    "Previous",
    "Prior",
    "Profile",
    "Scan",
    "Segment",
    "StitchSettings",
    "Stitched",
    "Survey",
    "Tolerance",
    "allocate_tolerances",
    "compare_round",
    "compare_surveys",
    "demo_halls",
    "demo_mirror",
    "demo_scans",
    "draw_faults",
    "fit_ellipse",
    "forecast_seasons",
    "foresee_light",
    "open_profile",
    "pair_carriers",
    "parse_prior",
    "place_carrier",
    "place_profile",
    "plan_corrections",
    "plan_scans",
    "practice_mirror",
    "previous_campaign",
    "read_batch",
    "read_beam",
    "read_carrier",
    "read_mirror",
    "read_previous",
    "read_profile",
    "read_record_history",
    "read_scans",
    "read_survey",
    "read_surveys",
    "run_batch",
    "run_job",
    "stitch",
    "trace_focus",
    "write_carrier",
    "write_mirror",
    "write_profile",
    "write_survey",
]

_HOMES: Final = {
    "Adjuster": "mirror",
    "BatchSettings": "batch",
    "Beam": "focus",
    "Carrier": "place",
    "CorrectionPlan": "align",
    "Ellipse": "ellipse",
    "EllipseFit": "fit",
    "EllipsefitError": "errors",
    "FocusResult": "focus",
    "Measurement": "mirror",
    "Mirror": "mirror",
    "Placement": "place",
    "Previous": "fit",
    "Prior": "fit",
    "Profile": "profile",
    "Scan": "scan",
    "Segment": "mirror",
    "StitchSettings": "stitching",
    "Stitched": "stitching",
    "Survey": "place",
    "Tolerance": "mirror",
    "allocate_tolerances": "focus",
    "compare_round": "align.comparison",
    "compare_surveys": "place",
    "demo_halls": "halls",
    "demo_mirror": "simulate",
    "demo_scans": "simulate",
    "draw_faults": "practice",
    "fit_ellipse": "fit",
    "forecast_seasons": "place",
    "foresee_light": "foreseen",
    "open_profile": "files",
    "pair_carriers": "place",
    "parse_prior": "fit",
    "place_carrier": "place",
    "place_profile": "profile",
    "plan_corrections": "align",
    "plan_scans": "stitching",
    "practice_mirror": "practice",
    "previous_campaign": "fit",
    "read_batch": "files",
    "read_beam": "files",
    "read_carrier": "files",
    "read_mirror": "files",
    "read_previous": "files",
    "read_profile": "files",
    "read_record_history": "history",
    "read_scans": "files",
    "read_survey": "files",
    "read_surveys": "files",
    "run_batch": "batch",
    "run_job": "job",
    "stitch": "stitching",
    "trace_focus": "focus",
    "write_carrier": "files",
    "write_mirror": "files",
    "write_profile": "files",
    "write_survey": "files",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'ellipsefit' has no attribute {name!r}")
    return getattr(import_module(f"ellipsefit.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
