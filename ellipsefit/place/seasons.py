"""A series of surveys of one hall, or of two: what the foci do over the years, and when to go there again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from ellipsefit.arrays import FloatArray, sealed
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.place.drift import DAY, YEAR, DriftFit, DriftSettings, Mixture, TemperatureLog, best_aim, fit_drift
from ellipsefit.place.placement import AXES, Placement, Spot
from ellipsefit.place.pose import point_jacobian
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, with_uncertainty

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_

#: Quantiles of a forecast that are kept: the ends of bands of 95, 80 and 50 %, and the median.
SHARES: Final = (0.025, 0.10, 0.25, 0.50, 0.75, 0.90, 0.975)
#: Steps of a forecast [s].
FORECAST_STEP: Final = 7 * DAY
#: Surveys of two carriers within this time make one of their mismatch [s].
TOGETHER: Final = 30 * DAY


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What work costs, all in seconds of lost time.

    Parameters
    ----------
    survey : float
        One survey of outrigger targets (common practice: 1 to 2 h).
    realign : float
        One move of a carrier by its cams, with the survey that checks it.
    opening : float
        Opening the vessel (common practice: 2 to 3 days), for comparison.
    out_per_day : float
        Of one day outside tolerance.
    """

    survey: float = 1.5 * 3600
    realign: float = 4 * 3600
    opening: float = 2.5 * DAY
    out_per_day: float = 2.4 * 3600

    def __post_init__(self) -> None:
        for name in ("survey", "realign", "opening", "out_per_day"):
            if not 0 < getattr(self, name) < np.inf:
                raise ParameterError(f"{name} must be a time above 0; got {getattr(self, name)!r} s")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """Whether to realign now, where to aim, and the shares of days outside tolerance with and without."""

    realign: bool
    aim: float  # shift to give [m], 0 where none is advised
    risk_as_is: float
    risk_realigned: float


def decide(
    fit: DriftFit,
    now: float,
    limit: float,
    *,
    interval: float,
    horizon: float = YEAR,
    risk: float = 0.2,
    offset: float = 0.0,
) -> Decision:
    """Decide at a survey whether to realign a coordinate.

    Realigning is advised when the days until the next survey are expected outside tolerance in more than a share
    `risk`, and a move would mend a good part of that. The aim is not zero but what keeps the forecast within
    tolerance the longest: a season is met half-way.

    Parameters
    ----------
    fit : DriftFit
        Of the coordinate as the floor moves it.
    now : float
        Time of the decision [s].
    limit : float
        Tolerance, to both sides [m].
    interval : float
        To the next survey [s].
    horizon : float
        For which a move should last [s].
    risk : float
        Share of days outside tolerance that is accepted until the next survey.
    offset : float
        Moves on purpose so far, not contained in `fit` [m].
    """
    if not limit > 0 or not interval > 0 or not horizon >= interval:
        raise ParameterError("limit and interval must be above 0, and the horizon at least the interval")
    count = max(int(np.ceil(interval / (15 * DAY))), 1)
    steps = max(int(horizon / (15 * DAY)), count)
    dates = np.array([now + (15 * number - 10) * DAY for number in range(1, steps + 1)])
    mixture = fit.forecast(dates)
    as_is = float(mixture.outside(limit, offset)[:count].mean())
    if as_is <= risk:
        return Decision(realign=False, aim=0.0, risk_as_is=as_is, risk_realigned=as_is)
    total = best_aim(mixture, limit)
    mended = float(mixture.outside(limit, total)[:count].mean())
    wanted = mended < 0.7 * as_is
    return Decision(
        realign=wanted,
        aim=total - offset if wanted else 0.0,
        risk_as_is=as_is,
        risk_realigned=mended if wanted else as_is,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Component:
    """One coordinate of one focus, or of the mismatch of two."""

    name: str
    limit: float | None  # [m]; None: no tolerance stated
    fit: DriftFit
    quantiles: FloatArray  # (7, T) at `SHARES` [m]
    mean: FloatArray  # (T,)
    outside: FloatArray  # (T,) probability of being beyond the limit
    aim: float | None  # shift that a realignment now should give [m]

    def __post_init__(self) -> None:
        for name in ("quantiles", "mean", "outside"):
            object.__setattr__(self, name, sealed(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeasonForecast(Result):
    """What the foci did and will do, and when to go there again. Times in s since 1970-01-01 UTC."""

    name: str
    components: tuple[Component, ...]
    dates: FloatArray  # (T,) of the forecast
    risk: FloatArray  # (T,) probability that any coordinate is outside tolerance
    costs: Costs
    next_survey: float | None  # None: not within the forecast
    realign: float | None
    due: bool  # realignment pays now
    yearly_cost: float | None  # [s] of acting on the forecast, by the model; None: no tolerance
    calendar_cost: float | None  # [s] of realigning every half year
    warnings: tuple[str, ...]

    def __post_init__(self) -> None:
        for name in ("dates", "risk"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def first_survey(self) -> str:
        """Day of the first survey, ISO 8601."""
        return _day(min(float(one.fit.time[0]) for one in self.components))

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI; dates by ISO 8601."""
        return {
            "name": self.name,
            "components": [
                {
                    "name": one.name,
                    "limit": one.limit,
                    "surveys": [_iso(value) for value in one.fit.time],
                    "values": one.fit.value.tolist(),
                    "values_stderr": one.fit.sigma.tolist(),
                    "annual": dict(
                        zip(("amplitude", "amplitude_stderr", "day_of_maximum"), one.fit.season(), strict=True)
                    ),
                    "trend_per_year": one.fit.trend()[0],
                    "trend_per_year_stderr": one.fit.trend()[1],
                    "walk_rate": one.fit.walk_rate,
                    "lag": one.fit.lag,
                    "steps": [
                        {
                            "before": _iso(step.before),
                            "after": _iso(step.after),
                            "size": step.size,
                            "size_stderr": step.stderr,
                            "odds": min(step.odds, 1e300),
                        }
                        for step in one.fit.steps
                    ],
                    "mean": one.mean.tolist(),
                    "quantiles": {f"{share:g}": row.tolist() for share, row in zip(SHARES, one.quantiles, strict=True)},
                    "outside": one.outside.tolist(),
                    "aim": one.aim,
                }
                for one in self.components
            ],
            "dates": [_iso(value) for value in self.dates],
            "probability_outside": self.risk.tolist(),
            "next_survey": None if self.next_survey is None else _iso(self.next_survey),
            "realign": None if self.realign is None else _iso(self.realign),
            "realign_due": self.due,
            "yearly_cost": self.yearly_cost,
            "calendar_cost": self.calendar_cost,
            "warnings": list(self.warnings),
        }

    def arrays(self) -> tuple[Array, ...]:
        """The forecast of each coordinate, day by day."""
        parts = self.components
        names = np.array([one.name for one in parts], dtype=np.str_)
        dates = np.array(np.round(self.dates), dtype="datetime64[s]").astype("datetime64[ns]")
        return (
            Array("date", ("date",), dates, "", "UTC", True),
            Array("risk", ("date",), self.risk, "", "probability that any coordinate is outside tolerance"),
            Array("coordinate", ("coordinate",), names, "", "of a focus", True),
            Array("share", ("share",), SHARES, "", "of the probability", True),
            Array("mean", ("coordinate", "date"), [one.mean for one in parts], "m", "misplacement"),
            Array("outside", ("coordinate", "date"), [one.outside for one in parts], "", "probability of it"),
            Array(
                "quantiles", ("coordinate", "share", "date"), [one.quantiles for one in parts], "m", "of misplacement"
            ),
        )

    def rows(self) -> list[Table]:
        """Tables of the forecast, as shown on screens and pages."""
        return [self._advice_table(), self._season_table(), self._forecast_table(), *self._step_tables()]

    def plot(self) -> Figure_:
        """Figure of the seasons and the forecast."""
        from ellipsefit.report import plot_seasons  # the one way up: a result draws itself when asked

        return plot_seasons(self)

    def _advice_table(self) -> Table:
        limited = any(one.limit is not None for one in self.components)
        start = _day(self.dates[0])
        if not limited:
            head = "no tolerance stated"
        elif self.due:
            head = "REALIGNMENT IS DUE"
        else:
            head = f"realign by {_day(self.realign)}" if self.realign is not None else "no realignment foreseen"
        cells = [
            ("last survey", start),
            ("next survey", "after the forecast" if self.next_survey is None else _day(self.next_survey)),
            (
                "realign",
                "–"
                if not limited
                else "now"
                if self.due
                else "after the forecast"
                if self.realign is None
                else _day(self.realign),
            ),
            ("probability of a focus outside tolerance at the start", f"{self.risk[0] * 100:.1f} %"),
            (
                "  largest in the forecast",
                f"{self.risk.max() * 100:.1f} %, {_day(float(self.dates[np.argmax(self.risk)]))}",
            ),
        ]
        cells += [
            (f"aim of a realignment: shift {one.name} by", number(one.aim, "length", sign=True))
            for one in self.components
            if one.aim is not None
        ]
        if self.yearly_cost is not None and self.calendar_cost is not None:
            cells.append(("cost a year, by the forecast", f"{self.yearly_cost / 3600:.0f} h"))
            cells.append(("cost a year, realigned every half year", f"{self.calendar_cost / 3600:.0f} h"))
            cells.append(("one opening of the vessel instead of a survey", f"{self.costs.opening / 3600:.0f} h"))
        notes = tuple(f"Note: {text}" for text in self.warnings)
        return Table(title=f"Drift of {self.name}: {head}", cells=tuple(cells), notes=notes)

    def _season_table(self) -> Table:
        cells = []
        for one in self.components:
            size, stderr, day = one.fit.season()
            trend, trend_stderr = one.fit.trend()
            walk = np.sqrt(one.fit.walk_rate * YEAR)
            cells.append(
                (
                    one.name,
                    with_uncertainty(size, stderr, "length"),
                    _day_of_year(day) if size > 2 * stderr else "–",
                    with_uncertainty(trend, trend_stderr, "length"),
                    number(float(walk), "length"),
                    "–" if one.limit is None else f"±{number(one.limit, 'length')}",
                )
            )
        header = ("", "annual amplitude", "highest", "trend a year", "random walk a year", "tolerance")
        return Table(title="Seasons", header=header, cells=tuple(cells))

    def _forecast_table(self) -> Table:
        picks = np.unique(np.linspace(0, len(self.dates) - 1, 7).round().astype(int))
        cells = []
        for pick in picks:
            row = [_day(float(self.dates[pick]))]
            for one in self.components:
                low, middle, high = one.quantiles[0, pick], one.quantiles[3, pick], one.quantiles[6, pick]
                row.append(f"{middle * 1e6:+.0f} ({low * 1e6:+.0f} … {high * 1e6:+.0f})")
            row.append(f"{self.risk[pick] * 100:.0f} %")
            cells.append(tuple(row))
        header = ("date", *(f"{one.name} [um]" for one in self.components), "outside")
        return Table(
            title="Forecast: median (95 % band), minus nominal, if nobody moves the carrier",
            header=header,
            cells=tuple(cells),
        )

    def _step_tables(self) -> list[Table]:
        cells = [
            (
                one.name,
                _day(step.before),
                _day(step.after),
                with_uncertainty(step.size, step.stderr, "length"),
                f"{step.odds:.0f} : 1" if step.odds < 1e6 else "> 1e6 : 1",
            )
            for one in self.components
            for step in one.fit.steps
        ]
        if not cells:
            return []
        header = ("", "after the survey of", "before that of", "size", "odds")
        return [Table(title="Steps", header=header, cells=tuple(cells))]


def _iso(time: float) -> str:
    return datetime.fromtimestamp(float(time), UTC).isoformat(timespec="minutes")


def _day(time: float | None) -> str:
    return "–" if time is None else f"{datetime.fromtimestamp(float(time), UTC):%Y-%m-%d}"


def _day_of_year(day: float) -> str:
    # phases count from 1970-01-01, and a Julian year keeps step with the calendar within a day
    return f"{datetime.fromtimestamp(day * DAY, UTC):%d %b}"


def forecast_seasons(
    placements: Sequence[Placement],
    *,
    downstream: Sequence[Placement] = (),
    until: datetime | None = None,
    settings: DriftSettings | None = None,
    costs: Costs | None = None,
    log: TemperatureLog | None = None,
) -> SeasonForecast:
    """Forecast the foci of a carrier from its surveys, or their mismatch with those of the next one.

    Parameters
    ----------
    placements : sequence of Placement
        Of one carrier, at least three, in any order.
    downstream : sequence of Placement
        Of the carrier whose source focus is the image focus of this one; surveys within 30 days count together.
    until : datetime, optional
        End of the forecast, by default a year after the last survey.
    settings : DriftSettings, optional
        What is known before any survey.
    costs : Costs, optional
    log : TemperatureLog, optional
        Temperatures of the hall.

    Returns
    -------
    SeasonForecast

    Raises
    ------
    DataError
        If surveys lack their date, or too few there are.
    """
    if not placements:
        raise DataError("no survey is given; expected at least three of one carrier")
    costs = Costs() if costs is None else costs
    first = _in_order(placements)
    warnings: list[str] = []
    name = first[0].carrier.name
    series: list[_Series] = []
    if downstream:
        second = _in_order(downstream)
        pairs = _paired(first, second)
        if len(pairs) < len(first):
            warnings.append(f"{len(first) - len(pairs)} surveys of {name} have none of the next carrier within 30 days")
        if not pairs:
            raise DataError(
                f"no survey of '{name}' has one of '{second[0].carrier.name}' within 30 days; expected both halls to "
                "be surveyed about together"
            )
        name = f"{name} to {second[0].carrier.name}"
        series += _mismatch(pairs)
    else:
        for focus in ("source", "image"):
            series += _focus_series(first, focus)
    last = max(float(part.time[-1]) for part in series)
    end = last + YEAR if until is None else until.timestamp()
    if not end > last:
        raise ParameterError(f"the forecast must end after the last survey, {_day(last)}; got {_day(end)}")
    dates = np.append(np.arange(last, end, FORECAST_STEP), end)
    components = []
    for part in series:
        try:
            fit = fit_drift(part.time, part.values, part.sigma, settings, log=log, moved=part.moved)
        except DataError as fault:
            raise DataError(f"'{name}': {fault}") from None
        components.append(_component(part.name, part.limit, fit, dates))
    limited = [one for one in components if one.limit is not None]
    risk = _any_outside([one.outside for one in limited]) if limited else np.zeros(len(dates))
    plan = _schedule(dates, risk, limited, costs) if limited else (None, None, False, None, None)
    if not limited:
        warnings.append("the carrier file states no tolerance of the foci, so no date can be advised")
    warnings += [
        f"{one.name} made a step of {number(step.size, 'length', sign=True)} between {_day(step.before)} and "
        f"{_day(step.after)}: look for what was moved, loaded or built there"
        for one in components
        for step in one.fit.steps
    ]
    return SeasonForecast(
        name=name,
        components=tuple(components),
        dates=dates,
        risk=risk,
        costs=costs,
        next_survey=plan[0],
        realign=plan[1],
        due=plan[2],
        yearly_cost=plan[3],
        calendar_cost=plan[4],
        warnings=tuple(warnings),
    )


def _component(label: str, limit: float | None, fit: DriftFit, dates: FloatArray) -> Component:
    mixture: Mixture = fit.forecast(dates)
    aim = None if limit is None else best_aim(mixture, limit)
    return Component(
        name=label,
        limit=limit,
        fit=fit,
        quantiles=np.array([mixture.quantile(share) for share in SHARES]),
        mean=mixture.expectation(),
        outside=np.zeros(len(dates)) if limit is None else mixture.outside(limit),
        aim=aim,
    )


def _schedule(
    dates: FloatArray, risk: FloatArray, limited: Sequence[Component], costs: Costs
) -> tuple[float | None, float | None, bool, float, float]:
    """Next survey, realignment, whether it is due, and the yearly costs of acting so and by the calendar.

    A realignment, aimed well, costs C and then loses at a rate l(t), so acting every T costs (C + integral of l) / T on
    average. Its least value g is what a day may lose: realign when the present arrangement loses more (the marginal
    rule of optimal stopping). Survey when the expected loss since the last one has come up to what a survey costs.
    """
    days = (dates - dates[0]) / DAY
    loss = costs.out_per_day * risk
    half = min(max(int(np.searchsorted(days, YEAR / DAY / 2)), 1), len(days) - 1)
    rates = []
    for count in {max(half // 2, 1), half, len(days) - 1}:  # a move may be aimed at a short time or a long one
        shares = [one.fit.forecast(dates[: count + 1]) for one in limited]
        fresh = _any_outside(
            [
                mixture.outside(one.limit, best_aim(mixture, one.limit))
                for one, mixture in zip(limited, shares, strict=True)
                if one.limit
            ]
        )
        spent = np.cumsum(np.diff(days[: count + 1]) * (fresh[1:] + fresh[:-1]) / 2) * costs.out_per_day
        rates.append(float(np.min((costs.realign + costs.survey + spent) / days[1 : count + 1])))
    rate = min(rates)
    late = np.flatnonzero(loss > rate)
    due = bool(len(late) and late[0] == 0)
    realign = float(dates[late[0]]) if len(late) else None
    lost = np.concatenate([[0.0], np.cumsum(np.diff(days) * (loss[1:] + loss[:-1]) / 2)])
    reached = np.flatnonzero(lost >= costs.survey)
    survey = float(dates[reached[0]]) if len(reached) else None
    if realign is not None:
        survey = realign if survey is None else min(survey, realign)
    # by the calendar the carrier is set to zero where it is found
    zeroed = _any_outside(
        [one.fit.forecast(dates[: half + 1]).outside(one.limit, -float(one.mean[0])) for one in limited if one.limit]
    )
    area = float(np.sum(np.diff(days[: half + 1]) * (zeroed[1:] + zeroed[:-1]) / 2))
    calendar = (costs.realign + costs.survey + costs.out_per_day * area) / days[half]
    return survey, realign, due, rate * YEAR / DAY, float(calendar) * YEAR / DAY


def _any_outside(shares: Sequence[FloatArray]) -> FloatArray:
    """Probability that any coordinate is outside, each wandering for itself."""
    return np.asarray(1 - np.prod([1 - share for share in shares], axis=0))


def _in_order(placements: Sequence[Placement]) -> list[Placement]:
    for one in placements:
        if one.survey.time is None:
            raise DataError(
                f"{one.survey.name}: states no date; expected a line such as '# date: 2026-04-14T09:30+02:00' to place "
                "it in the seasons"
            )
        if one.carrier.name != placements[0].carrier.name:
            raise DataError(f"surveys of '{placements[0].carrier.name}' and '{one.carrier.name}' are no one series")
    ordered = sorted(placements, key=_seconds)
    for before, after in pairwise(ordered):
        if _seconds(before) == _seconds(after):
            raise DataError(
                f"{before.survey.name} and {after.survey.name} are of the same time; expected one survey each"
            )
    return ordered


def _seconds(placement: Placement) -> float:
    return 0.0 if placement.survey.time is None else placement.survey.time.timestamp()


def _spot_covariance(placement: Placement, spot: Spot) -> FloatArray:
    """Covariance of a focus as another survey would draw it anew, shape (3, 3)."""
    rows_ = point_jacobian(spot.position - placement.pose.translation)
    return np.asarray(rows_ @ placement.survey_covariance @ rows_.T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Series:
    """One coordinate of a focus, or of a mismatch, as the surveys saw it."""

    name: str
    limit: float | None  # [m]; None: none is stated
    time: FloatArray  # [s]
    values: FloatArray  # [m]
    sigma: FloatArray  # [m]
    moved: tuple[int, ...]  # surveys before which the carrier was moved


def _coordinates(
    name: str,
    limits: FloatArray,
    stated: bool,
    time: FloatArray,
    values: FloatArray,
    covariances: FloatArray,
    moved: tuple[int, ...],
) -> list[_Series]:
    """A series for each axis with a limit; if none is stated, for those across the beam."""
    sigma = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
    return [
        _Series(
            name=f"{name} {AXES[axis]}",
            limit=float(limits[axis]) if np.isfinite(limits[axis]) else None,
            time=time,
            values=values[:, axis],
            sigma=sigma[:, axis],
            moved=moved,
        )
        for axis in range(3)
        if np.isfinite(limits[axis]) or (not stated and axis)
    ]


def _focus_series(placements: Sequence[Placement], focus: str) -> list[_Series]:
    tolerance = placements[0].carrier.tolerance
    return _coordinates(
        focus,
        getattr(tolerance, focus),
        tolerance.stated,
        np.array([_seconds(one) for one in placements]),
        np.array([getattr(one, focus).shift for one in placements]),
        np.array([_spot_covariance(one, getattr(one, focus)) for one in placements]),
        tuple(number for number, one in enumerate(placements) if number and one.survey.moved),
    )


def _paired(first: Sequence[Placement], second: Sequence[Placement]) -> list[tuple[Placement, Placement]]:
    pairs = []
    for one in first:
        other = min(second, key=lambda candidate: abs(_seconds(candidate) - _seconds(one)))
        if abs(_seconds(other) - _seconds(one)) <= TOGETHER:
            pairs.append((one, other))
    return pairs


def _mismatch(pairs: Sequence[tuple[Placement, Placement]]) -> list[_Series]:
    limits = np.minimum(pairs[0][0].carrier.tolerance.image, pairs[0][1].carrier.tolerance.source)
    return _coordinates(
        "mismatch",
        limits,
        bool(np.isfinite(limits).any()),
        np.array([(_seconds(one) + _seconds(other)) / 2 for one, other in pairs]),
        np.array([one.image.shift - other.source.shift for one, other in pairs]),
        np.array([_spot_covariance(one, one.image) + _spot_covariance(other, other.source) for one, other in pairs]),
        tuple(
            number for number, (one, other) in enumerate(pairs) if number and (one.survey.moved or other.survey.moved)
        ),
    )
