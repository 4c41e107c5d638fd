"""Results of the steps, each as a record keeps it: an NXprocess with answer, settings, options, arrays and sources."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from ellipsefit.align import CorrectionPlan
from ellipsefit.align.comparison import Comparison
from ellipsefit.files.nexus import new_data, new_group, write_field, write_profile_data
from ellipsefit.files.plan import PlanAnswer
from ellipsefit.files.record.reading import Kind
from ellipsefit.fit import EllipseFit
from ellipsefit.focus import FocusResult
from ellipsefit.place import Placement, SeasonForecast
from ellipsefit.profile import PlacedProfile, Profile
from ellipsefit.stitching import Stitched
from ellipsefit.stitching.conditioned import REASONS


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One result on its way into a record."""

    kind: Kind
    answer: Mapping[str, Any]
    rests_on: tuple[str, ...]  # roles of inputs, kinds of results of the same entry, or paths in the record
    settings: Mapping[str, str] = field(default_factory=dict)
    options: Mapping[str, Any] | None = None  # as asked, in SI
    output: str = ""  # SHA-256 of the file it was written to
    room: int = 0  # bytes of its arrays
    write: Callable[[Any, Any], None] | None = None  # writes the arrays into an NXentry and its NXprocess


def stitch_step(stitched: Stitched, *, output: str = "", profile: bool = False) -> Step:
    """Of `stitch`; with the profile, masks and all, if no fit follows that keeps its points."""

    def write(entry: Any, process: Any) -> None:
        write_masks(process, stitched)
        if len(stitched.guide_carriage) and "guide" not in entry:
            unit = "m" if stitched.profile.quantity == "height" else "rad"
            guide = new_data(entry, "guide", signal="guide_error", axes=("carriage",))
            write_field(guide, "carriage", stitched.guide_carriage, units="m")
            write_field(guide, "guide_error", stitched.guide_error, units=unit)
            write_field(guide, "guide_error_errors", stitched.guide_stderr, units=unit)
        if profile and "profile" not in entry:
            write_profile_data(entry, "profile", stitched.profile)
            entry.attrs["default"] = "profile"

    whole = stitched.profile
    columns = 6 + (0 if whole.covariance_factor is None else whole.covariance_factor.shape[1])
    return Step(
        kind="stitching",
        answer=stitched.to_dict(),
        rests_on=("mirror file", "scans"),
        settings={**stitched.settings.as_text(), **stitched.steps},
        options={name: getattr(stitched.settings, name) for name in stitched.settings.as_text()},
        output=output,
        room=8 * columns * len(whole.x) if profile else 0,
        write=write,
    )


def fit_step(fit: EllipseFit, *, options: Mapping[str, Any] | None = None, rests_on: Sequence[str] = ()) -> Step:
    """Of `fit_ellipse`; `options` are its arguments as they were given."""
    placed = fit.placed
    columns = 5 + (placed.sigma is not None) * 2 + placed.shared

    def write(entry: Any, process: Any) -> None:
        write_points(entry, fit)
        for name in fit.varied:
            quantity = write_field(process, name, getattr(fit.ellipse, name), units="rad" if name == "theta" else "m")
            quantity.attrs["stderr"] = fit.stderr(name)

    return Step(
        kind="fit",
        answer=fit.to_dict(),
        rests_on=("mirror file", "stitching", "profile", *rests_on),
        settings=fit_settings(fit),
        options=plain_options(options) if options is not None else asked_of(fit),
        room=8 * columns * len(placed.x),
        write=write,
    )


def plan_step(plan: CorrectionPlan | PlanAnswer, when: datetime, *, rests_on: Sequence[str] = ()) -> Step:
    """Of `plan_corrections`, complete enough to be compared with what came of it."""
    answer = plan if isinstance(plan, PlanAnswer) else PlanAnswer(plan=plan, when=when)
    moves = answer.plan.moves

    def write(_: Any, process: Any) -> None:
        table = new_group(process, "moves", "NXcollection")
        write_field(table, "segment", np.array([move.segment for move in moves], dtype=np.str_))
        write_field(table, "adjuster", np.array([move.adjuster for move in moves], dtype=np.str_))
        for column in ("start", "stop", "move"):
            values = np.array([getattr(move, column) for move in moves], dtype=np.float64)
            write_field(table, column, values, units="m")

    return Step(kind="correction", answer=answer.to_dict(), rests_on=("fit", *rests_on), write=write)


def focus_step(light: FocusResult, answer: Mapping[str, Any] | None = None) -> Step:
    """Of `trace_focus`; `answer` if more belongs to it than its own."""
    return Step(
        kind="focus",
        answer=light.to_dict() if answer is None else answer,
        rests_on=("mirror file", "fit", "beam file"),
    )


def comparison_step(comparison: Comparison) -> Step:
    """Of `compare_round`, with the moves as they were made."""

    def write(_: Any, process: Any) -> None:
        screws = comparison.screws
        table = new_group(process, "moves", "NXcollection")
        write_field(table, "segment", np.array([screw.segment for screw in screws], dtype=np.str_))
        write_field(table, "adjuster", np.array([screw.adjuster for screw in screws], dtype=np.str_))
        for column in ("asked", "expected", "position", "achieved", "achieved_stderr"):
            found = [getattr(screw, column) for screw in screws]
            values = np.array([np.nan if value is None else value for value in found], dtype=np.float64)
            write_field(table, column, values, units="m")

    return Step(
        kind="comparison",
        answer=comparison.to_dict(),
        rests_on=("correction", "measured before", "measured after"),
        write=write,
    )


def placement_step(placement: Placement, answer: Mapping[str, Any] | None = None) -> Step:
    """Of `place_carrier`; `answer` if more belongs to it than its own."""

    def write(entry: Any, _: Any) -> None:
        if "residuals" in entry or not placement.residuals:
            return
        data = new_data(entry, "residuals", signal="distance", axes=("number",))
        found = placement.residuals
        write_field(data, "number", np.arange(1, len(found) + 1))
        write_field(data, "distance", np.array([math.hypot(one.dx, one.dy, one.dz) for one in found]), units="m")
        write_field(data, "target", np.array([one.target for one in found], dtype=np.str_))
        for column in ("dx", "dy", "dz"):
            write_field(data, column, np.array([getattr(one, column) for one in found], dtype=np.float64), units="m")

    return Step(
        kind="placement",
        answer=placement.to_dict() if answer is None else answer,
        rests_on=("carrier file", "survey", "survey before", "carrier downstream", "survey downstream"),
        write=write,
    )


def forecast_step(forecast: SeasonForecast, *, rests_on: Sequence[str] = ()) -> Step:
    """Of `forecast_seasons`."""

    def write(entry: Any, _: Any) -> None:
        if "risk" in entry:
            return
        data = new_data(entry, "risk", signal="probability_outside", axes=("time",))
        time = write_field(data, "time", forecast.dates - forecast.dates[0], units="s")
        time.attrs["start"] = forecast.to_dict()["dates"][0]
        write_field(data, "probability_outside", forecast.risk)

    return Step(
        kind="forecast",
        answer=forecast.to_dict(),
        rests_on=("carrier file", "survey", *rests_on),
        write=write,
    )


# arrays


def write_points(entry: Any, fit: EllipseFit) -> None:
    """The profile on the mirror and what the fit leaves, which becomes the entry's default plot."""
    placed = fit.placed
    names = segment_names(placed)
    number = 1 + sum(name.startswith("figure_error") for name in entry)
    name = "figure_error" if number == 1 else f"figure_error_{number}"
    figure = new_data(entry, name, signal="height_error", axes=("x",))
    entry.attrs["default"] = name
    if "profile" in entry:  # of an earlier step on the same data
        write_field(figure, "x", placed.x, units="m")
        write_field(figure, "segment", names)
    else:
        whole = Profile(
            name=placed.name,
            quantity=placed.quantity,
            x=placed.x,
            values=placed.values,
            sigma=placed.sigma,
            y=placed.y,
            covariance_factor=placed.covariance_factor,
            frame="mirror",
        )
        data = write_profile_data(entry, "profile", whole)
        write_field(data, "segment", names)
        if placed.shown_words:  # a large profile stays where it is
            data.attrs["averaged"] = placed.shown_words
        for shared in ("x", "segment"):  # the same numbers: one more name for them, no copy
            figure[shared] = data[shared]
    write_field(figure, "height_error", fit.figure.height_error, units="m")
    if placed.sigma is not None and placed.quantity == "height":
        write_field(figure, "height_error_errors", placed.sigma, units="m")
    write_field(figure, "slope_error", fit.figure.slope_error, units="rad")
    figure.attrs["auxiliary_signals"] = ["slope_error"]
    if placed.shown_words:
        figure.attrs["averaged"] = placed.shown_words


def segment_names(placed: PlacedProfile) -> npt.NDArray[np.bytes_]:
    """Name of each point's segment in UTF-8, shape (N,)."""
    names = np.array([segment.name.encode() for segment in placed.mirror.segments])
    return np.repeat(names, np.diff(placed.bounds))


def write_masks(process: Any, stitched: Stitched) -> None:
    """Which points of which raw scan are left out, and why: as ranges, first and last counted from 0."""
    rows: list[tuple[str, int, int, str]] = []
    for scan in stitched.conditioned:
        code = scan.code
        if not code.any():
            continue
        edges = np.flatnonzero(np.diff(code)) + 1
        starts, stops = np.concatenate([[0], edges]), np.concatenate([edges, [len(code)]])
        rows += [
            (scan.scan.name, int(start), int(stop) - 1, REASONS[code[start]])
            for start, stop in zip(starts, stops, strict=True)
            if code[start]
        ]
    table = new_group(process, "masks", "NXcollection")
    write_field(table, "scan", np.array([row[0] for row in rows], dtype=np.str_))
    for column, name in ((1, "first"), (2, "last")):
        write_field(table, name, np.array([row[column] for row in rows], dtype=np.int64))
    write_field(table, "reason", np.array([row[3] for row in rows], dtype=np.str_))


def write_mask(entry: Any, profile: Profile) -> None:
    """Which points of a profile are left out, and why: as ranges, first and last counted from 0."""
    if profile.mask is None or not profile.mask.any() or "masks" in entry:
        return
    reasons = np.full(len(profile.x), "masked in the file") if profile.mask_reason is None else profile.mask_reason
    kinds, code = np.unique(np.where(profile.mask, reasons, ""), return_inverse=True)
    edges = np.flatnonzero(np.diff(code)) + 1
    starts, stops = np.concatenate([[0], edges]), np.concatenate([edges, [len(code)]])
    kept = profile.mask[starts]
    table = new_group(entry, "masks", "NXcollection")
    write_field(table, "first", starts[kept])
    write_field(table, "last", stops[kept] - 1)
    write_field(table, "reason", kinds[code[starts[kept]]])


# settings


def fit_settings(fit: EllipseFit) -> dict[str, str]:
    """All that influences the numbers of a fit, as used, SI, as text."""
    model = {name: value for name, value in fit.to_dict()["model"].items() if not isinstance(value, dict | list)}
    settings: dict[str, object] = {
        "varied": ", ".join(fit.varied),
        **model,
        "surface_error": fit.settings.surface_error,
        "priors": "; ".join(str(prior) for prior in fit.settings.priors),
        "x_uncertainty": fit.settings.x_uncertainty,
        "cutoff": fit.figure.cutoff,
    }
    return {key: "" if value is None else str(value) for key, value in settings.items()}


def plain_options(options: Mapping[str, Any]) -> dict[str, Any]:
    """Arguments of `fit_ellipse` as JSON keeps them; what was left to the program is None."""
    usual = {"vary": None, "segments": "random", "residual": "correlated", "spread_height": None, "spread_tilt": None}
    plain = usual | {"cutoff": None} | {name: value for name, value in options.items() if name != "priors"}
    vary = plain["vary"]
    priors = [
        {"weights": list(prior.weights), "value": prior.value, "stderr": prior.stderr}
        for prior in options.get("priors", ())
    ]
    return plain | {"vary": None if vary is None else list(vary), "priors": priors}


def asked_of(fit: EllipseFit) -> dict[str, Any]:
    """Arguments that give this fit again, where it is not known how it was asked for."""
    used = fit.settings
    given = not used.spreads_estimated and used.segments == "random"
    return plain_options(
        {
            "vary": fit.varied,
            "segments": used.segments,
            "residual": used.residual,
            "spread_height": used.spread_height if given else None,
            "spread_tilt": used.spread_tilt if given else None,
            "priors": used.priors,
            "cutoff": fit.figure.cutoff,
        }
    )
