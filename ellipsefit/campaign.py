"""Monte-Carlo campaigns on the user's own mirror: whether the stated intervals cover."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import ParameterError
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.fit.effects import FEWEST_SEGMENTS
from ellipsefit.fit.few import SOME_FORM
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.results import Result
from ellipsefit.rows import Table, number
from ellipsefit.simulate import HiddenState, hidden_state, simulate_profile

#: Shares of a normal variable within one and two standard uncertainties.
NOMINAL: Final = (0.6826894921, 0.9544997361)
#: What the intervals may be off beyond chance.
ALLOWANCE: Final = 0.02
#: Standard deviations of chance that are granted: one campaign in a thousand is called wrong wrongly.
CHANCE: Final = 3.3


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditSettings:
    """What the simulated mirrors and measurements are like; lengths in m, angles in rad."""

    campaigns: int = 200
    seed: int = 1
    spread_height: float = 5e-6
    spread_tilt: float = 20e-6
    form: float = SOME_FORM  # of each of two Legendre terms of a segment, where the mirror file gives none
    figure: float = 100e-9
    correlation_length: float = 40e-3
    noise: float = 60e-9
    step: float = 2e-3
    quantity: str = "height"

    def __post_init__(self) -> None:
        if not 20 <= self.campaigns <= 1_000_000:
            raise ParameterError(f"campaigns must be from 20 to 1000000; got {self.campaigns!r}")
        for name in ("spread_height", "spread_tilt", "form", "figure", "correlation_length", "noise"):
            if not 0 <= getattr(self, name) < np.inf:
                raise ParameterError(f"{name} must not be negative; got {getattr(self, name)!r}")
        if not 0 < self.step < np.inf:
            raise ParameterError(f"step must be positive; got {self.step!r}")
        if self.quantity not in ("height", "slope"):
            raise ParameterError(f"quantity must be height or slope; got {self.quantity!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditedQuantity:
    """How one result fared over all campaigns in which it was known."""

    name: str
    kind: str  # length or angle
    count: int
    within_one: float  # share within one stated standard uncertainty
    within_two: float  # share within the coverage factor of 95.45 %, 2 or more by Student's t
    scatter: float  # actual standard deviation [m or rad]
    stated: float  # rms stated standard uncertainty
    covers: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit(Result):
    """Whether stated intervals cover, quantity by quantity."""

    table: ClassVar[str | None] = "quantities"

    mirror: Mirror
    settings: AuditSettings
    quantities: tuple[AuditedQuantity, ...]
    held: dict[str, int]  # how often a parameter was held at nominal

    @property
    def covers(self) -> bool:
        """Whether all do."""
        return all(item.covers for item in self.quantities)

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI."""
        return {
            "campaigns": self.settings.campaigns,
            "covers": self.covers,
            "quantities": [
                {
                    "name": item.name,
                    "count": item.count,
                    "within_1": item.within_one,
                    "within_2": item.within_two,
                    "scatter": item.scatter,
                    "stated": item.stated,
                    "covers": item.covers,
                }
                for item in self.quantities
            ],
            "held": self.held,
        }

    def rows(self) -> list[Table]:
        """The audit as tables."""
        cells = tuple(
            (
                item.name.replace("_d", " focus, d"),
                f"{100 * item.within_one:.1f} %",
                f"{100 * item.within_two:.1f} %",
                number(item.scatter, item.kind),
                number(item.stated, item.kind),
                "" if item.covers else "DOES NOT COVER",
            )
            for item in self.quantities
        )
        one, two = (f"{100 * share:.1f} %" for share in NOMINAL)
        chance = (f"{100 * _chance(self.settings.campaigns, which):.1f} %" for which in (0, 1))
        notes = [
            "Within 1: how often the error was within the stated standard uncertainty; "
            f"within 2: within its interval of {two}.",
            f"A perfect program would show {one} and {two}, give or take {' and '.join(chance)} (one standard error).",
            "Scatter: actual standard deviation of the errors; stated: the standard uncertainty that was claimed.",
        ]
        notes += [
            f"{name} was held at nominal in {count} campaigns: it was fitted only where chance made it look sure."
            for name, count in self.held.items()
            if count
        ]
        unknown = sum(segment.form is None or segment.form_uncertainty is None for segment in self.mirror.segments)
        if self.settings.form and 0 < unknown < FEWEST_SEGMENTS:
            form = number(self.settings.form, "length")
            notes.append(
                f"Fewer than {FEWEST_SEGMENTS} segments don't tell their form of {form} from the ellipse: with form "
                "and form_uncertainty in the mirror file it is reckoned with."
            )
        verdict = "stated intervals cover" if self.covers else "stated intervals do NOT COVER"
        return [
            Table(
                title=f"Audit of {self.mirror.name} over {self.settings.campaigns} simulated campaigns: {verdict}",
                header=("result", "within 1", "within 2", "scatter", "stated", ""),
                cells=cells,
                notes=tuple(notes),
            )
        ]


def audit(
    mirror: Mirror,
    settings: AuditSettings | None = None,
    *,
    executor: Executor | None = None,
    progress: Callable[[str], object] = str,
    **options: Any,
) -> Audit:
    """Simulate campaigns on a mirror, fit each, and compare errors with stated uncertainties.

    Parameters
    ----------
    mirror : Mirror
    settings : AuditSettings, optional
    executor : concurrent.futures.Executor, optional
        Where campaigns run; here, one after the other, by default. Each has a seed of its own, so the result
        does not depend on it.
    progress : callable
        Told how far it is.
    **options
        As for `fit_ellipse`.

    Returns
    -------
    Audit
    """
    settings = AuditSettings() if settings is None else settings
    tasks = [(mirror, settings, number_, options) for number_ in range(settings.campaigns)]
    run = map(_one, tasks) if executor is None else executor.map(_one, tasks, chunksize=8)
    found: list[dict[str, tuple[float, float, float]]] = []
    for number_, result in enumerate(run):
        found.append(result)
        if number_ % 10 == 9:
            progress(f"{number_ + 1} of {settings.campaigns} campaigns")
    names = list(dict.fromkeys(name for result in found for name in result))
    quantities = []
    for name in names:
        pairs = np.array([result[name] for result in found if name in result])
        quantities.append(_judged(name, pairs))
    held = {name: sum(name not in result for result in found) for name in ("p", "q", "theta")}
    return Audit(mirror=mirror, settings=settings, quantities=tuple(quantities), held=held)


def _one(task: tuple[Mirror, AuditSettings, int, dict[str, Any]]) -> dict[str, tuple[float, float, float]]:
    """Error and stated uncertainty of each result of one campaign; segment tilts by the first segment's."""
    mirror, settings, number_, options = task
    rng = np.random.default_rng([settings.seed, number_])
    state = hidden_state(mirror, rng, spread_height=settings.spread_height, spread_tilt=settings.spread_tilt)
    profile = simulate_profile(
        mirror,
        state,
        rng,
        step=settings.step,
        noise=settings.noise,
        figure=settings.figure,
        correlation_length=settings.correlation_length,
        quantity=settings.quantity,
    )
    measured = _imperfect(profile, state, mirror, settings, rng)
    return errors_of(fit_ellipse(measured, mirror, **options), state)


def _imperfect(
    profile: Profile, state: HiddenState, mirror: Mirror, settings: AuditSettings, rng: np.random.Generator
) -> Profile:
    """The profile with form of its segments, and with the errors that the mirror file says all points may share."""
    how, heights = mirror.measurement, profile.quantity == "height"
    x, values = np.array(profile.x), np.array(profile.values)
    sag = how.sag + how.sag_uncertainty * rng.normal()
    for segment in mirror.segments:
        mine = profile.segment == segment.name
        s = 2 * (x[mine] - segment.middle) / segment.length
        known, size = segment.form or (0.0, 0.0), segment.form_uncertainty or (settings.form,) * 2
        second, third = known + np.array(size) * rng.normal(size=2)
        terms = [(3 * s**2 - 1) / 2, (5 * s**3 - 3 * s) / 2]
        if not heights:
            terms = [6 * s / segment.length, (15 * s**2 - 3) / segment.length]
        values[mine] += (second + sag) * terms[0] + third * terms[1]
    warm = (how.expansion or 0.0) * how.temperature_uncertainty * rng.normal()
    stretch = (1 + how.x_scale_uncertainty * rng.normal()) * (1 + warm)
    gain = (1 + how.gain_uncertainty * rng.normal()) * (1 + warm if heights else 1.0)
    # what is reported at x was measured elsewhere
    place = (x - how.x_uncertainty * rng.normal()) / stretch

    def curve(at: FloatArray) -> FloatArray:
        if heights:
            return state.ellipse.height(at) + state.tilt * at
        return state.ellipse.slope(at)

    return replace(profile, values=(values + curve(place) - curve(x)) * gain)


def errors_of(fit: EllipseFit, state: HiddenState) -> dict[str, tuple[float, float, float]]:
    """Error, stated standard uncertainty and coverage factor for 95.45 % of each result that is known, by name."""
    found: dict[str, tuple[float, float, float]] = {}
    two = fit.coverage_factor
    for parameter in fit.varied:
        stderr = fit.stderr(parameter)
        if stderr is not None:
            found[parameter] = (getattr(fit.ellipse, parameter) - getattr(state.ellipse, parameter), stderr, two)
    height, tilt, own_tilt = _true_pose(fit, state)
    foci = _true_foci(fit.mirror.nominal, state.ellipse, height, tilt)
    for name, true in foci.items():
        value, stderr = getattr(fit.focus, name), getattr(fit.focus, f"{name}_stderr")
        if value is not None and stderr is not None:
            found[name] = (value - true, stderr, two)
    middle = len(fit.segments) // 2
    for label, index in (("first segment's tilt", 0), ("middle segment's tilt", middle)):
        segment = fit.segments[index]
        if segment.tilt is not None and segment.tilt_stderr:
            found[label] = (segment.tilt - float(own_tilt[index]), segment.tilt_stderr, two)
    return found


def _true_pose(fit: EllipseFit, state: HiddenState) -> tuple[float, float, FloatArray]:
    """Common mode of the true mirror by its definition, with the spreads in use, and each segment's tilt off it."""
    middle = np.array([segment.middle for segment in fit.mirror.segments])
    heights = state.height + state.tilt * middle + np.array(state.segment_height)
    tilts = state.tilt + np.array(state.segment_tilt)
    s_h, s_t = fit.problem.spreads
    if fit.placed.quantity == "slope":
        pose = np.array([state.height, tilts.mean()])
    else:
        design = np.concatenate(
            [
                np.column_stack([np.ones_like(middle), middle]) / s_h,
                np.column_stack([np.zeros_like(middle), np.ones_like(middle)]) / s_t,
            ]
        )
        pose = np.linalg.lstsq(design, np.concatenate([heights / s_h, tilts / s_t]), rcond=None)[0]
    return float(pose[0]), float(pose[1]), tilts - pose[1]


def _true_foci(nominal: Ellipse, ellipse: Ellipse, height: float, tilt: float) -> dict[str, float]:
    """Misplacement of the true foci, in the words of the fit."""
    turn = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
    found: dict[str, float] = {}
    for name, actual, ideal in zip(("source", "image"), ellipse.foci, nominal.foci, strict=True):
        shift = turn @ actual + np.array([0.0, height]) - ideal
        found[f"{name}_dx"], found[f"{name}_dz"] = float(shift[0]), float(shift[1])
    return found


def _chance(count: int, which: int) -> float:
    """Standard error of a share of so many campaigns."""
    return float(np.sqrt(NOMINAL[which] * (1 - NOMINAL[which]) / count))


def _judged(name: str, pairs: FloatArray) -> AuditedQuantity:
    errors, stated, two = pairs.T
    ratio = np.abs(errors / stated)
    shares = float(np.mean(ratio <= 1)), float(np.mean(ratio <= two))
    granted = [CHANCE * _chance(len(pairs), which) + ALLOWANCE for which in (0, 1)]
    return AuditedQuantity(
        name=name,
        kind="angle" if name == "theta" or "tilt" in name else "length",
        count=len(pairs),
        within_one=shares[0],
        within_two=shares[1],
        scatter=float(np.sqrt(np.mean(errors**2))),
        stated=float(np.sqrt(np.mean(stated**2))),
        covers=all(abs(share - wanted) <= most for share, wanted, most in zip(shares, NOMINAL, granted, strict=True)),
    )
