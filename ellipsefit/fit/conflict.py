"""Whether knowledge from outside and the data agree: a chi-squared test of each prior.

Of knowledge that is held by rows of one, c ~ N(0, 1) before the data, the data leave the mean c* and the
covariance S. Before the data were known, c* was a normal variable of covariance 1 - S: what the data say of c
enters it through both. So c*' (1 - S)**-1 c* is chi-squared, with as many degrees of freedom as there are
combinations of which the data say anything; it is that of prior minus data-only estimate over its variance.
Where the variance of the data is itself estimated, with nu effective degrees of freedom, chi-squared over its own
is compared with Fisher's F of both (for one degree that is Student's t).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from scipy.special import chdtrc, fdtrc, ndtri

from ellipsefit.arrays import FloatArray
from ellipsefit.ellipse import Ellipse
from ellipsefit.fit.campaigns import MOVES
from ellipsefit.fit.freedom import coverage_scale, surface_likelihood
from ellipsefit.fit.problem import JointProblem
from ellipsefit.fit.surface_error import believed_errors, whiten
from ellipsefit.fit.systematics import systematic_patterns
from ellipsefit.mirror import Measurement
from ellipsefit.rows import number

#: Probability below which a prior and the data are not believed together: that of three standard deviations.
CONFLICT: Final = 0.0027
#: Where the unknowns of form that the shop measured stand in a problem.
FORM: Final = "form from the shop"
#: Share of its variance that the data must take off a combination to say anything of it.
SAID: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PriorCheck:
    """One prior against what the data say without it."""

    name: str
    chi_squared: float
    degrees: int  # of freedom; 0: the data say nothing of it
    p_value: float  # probability of so large a difference if both are right
    text: str  # a sentence that says how far they are apart

    @property
    def conflict(self) -> bool:
        """Whether they are not believed together."""
        return self.p_value < CONFLICT

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "name": self.name,
            "chi_squared": self.chi_squared,
            "degrees_of_freedom": self.degrees,
            "p_value": self.p_value,
            "conflict": self.conflict,
        }


def prior_checks(
    problem: JointProblem,
    start: FloatArray,
    parameters: FloatArray,
    varied: tuple[int, ...],
    *,
    names: list[str],
    how: Measurement,
) -> tuple[PriorCheck, ...]:
    """All priors of a problem against the data.

    Parameters
    ----------
    problem : JointProblem
    start : array, shape (3,)
        Where fits begin, and the values at which parameters are held.
    parameters : array, shape (3,)
        The solution.
    varied : tuple of int
        Which of p, q, theta were fitted.
    names : list of str
        Of the measured segments.
    how : Measurement
        The uncertainties of the inputs that all points share count, too.
    """
    checks = _combinations(problem, start, varied, how) if problem.priors else []
    if problem.shop is not None and problem.shop.columns.shape[1]:
        checks.append(_shop(problem, parameters, varied, names))
    if problem.moved is not None:
        checks.append(_moves(problem, parameters, varied, names))
    return tuple(checks)


def _combinations(
    problem: JointProblem, start: FloatArray, varied: tuple[int, ...], how: Measurement
) -> list[PriorCheck]:
    """Each combination of p, q and theta, and all together, against their estimates without any; held is held."""
    alone = replace(problem, priors=())
    found, solution = alone.solve(start, varied)
    v = len(varied)
    covariance = alone.posterior(found, varied) * _inflation(problem) ** 2
    for pattern in systematic_patterns(problem.reduction, Ellipse(*(float(x) for x in found)), how).values():
        change = alone.response(found, varied, pattern)
        covariance = covariance + np.outer(change, change)
    weights = np.array([prior.weights for prior in problem.priors])
    values = weights @ found
    spread = weights[:, list(varied)] @ covariance[:v, :v] @ weights[:, list(varied)].T
    spread = spread + np.diag([prior.stderr**2 for prior in problem.priors])
    away = values - [prior.value for prior in problem.priors]
    told = not any(solution.at_bound) and bool(np.isfinite(spread).all())
    checks = []
    for index, prior in enumerate(problem.priors):
        name = f"prior {prior}"
        source = "the data, which say" if weights[index, list(varied)].any() else "the value that is held,"
        if told:
            what = f"the {name} and {source} {number(float(values[index]), prior.kind, digits=6)},"
            checks.append(_check(name, float(away[index] ** 2 / spread[index, index]), 1, problem.freedom, what))
        else:
            text = f"{name}: the data alone say nothing of it"
            checks.append(PriorCheck(name=name, chi_squared=0.0, degrees=0, p_value=1.0, text=text))
    if told and len(checks) > 1:
        size = np.sqrt(np.diag(spread))
        scaled = away / size
        together = float(scaled @ np.linalg.solve(spread / np.outer(size, size), scaled))
        checks.append(
            _check("all priors together", together, len(checks), problem.freedom, "all priors together and the data")
        )
    return checks


def _check(name: str, chi_squared: float, degrees: int, freedom: float, what: str) -> PriorCheck:
    """The sentence and the probability; `freedom`: of the variance of the data."""
    p_value = 1.0
    if degrees:
        known = not np.isfinite(freedom)
        p_value = float(chdtrc(degrees, chi_squared) if known else fdtrc(degrees, freedom, chi_squared / degrees))
    return _judged(name, chi_squared, degrees, p_value, what)


def _judged(name: str, chi_squared: float, degrees: int, p_value: float, what: str) -> PriorCheck:
    """The sentence to a probability."""
    away = -float(ndtri(p_value / 2)) if p_value > 0 else float(np.sqrt(chi_squared))
    verdict = "one of them is wrong" if p_value < CONFLICT else "they agree"
    text = f"{what} are {away:.1f} standard deviations apart (p = {_spoken(p_value)}): {verdict}"
    return PriorCheck(name=name, chi_squared=chi_squared, degrees=degrees, p_value=p_value, text=text)


def _spoken(p_value: float) -> str:
    return f"{p_value:.2g}" if p_value >= 1e-12 else "below 1e-12"


def _shop(problem: JointProblem, parameters: FloatArray, varied: tuple[int, ...], names: list[str]) -> PriorCheck:
    """The form that the shop gives, of all segments together; the worst is named.

    How rough the surface is at waves as long as a segment is only known from shorter ones: the probability is the mean
    over all surface errors that the data leave believable.
    """
    shop = problem.shop
    assert shop is not None
    mean, covariance = _held(problem, FORM, parameters, varied)
    chi_squared, degrees = _statistic(mean, covariance)
    single = {int(row): _statistic(*_of(mean, covariance, shop.rows == row)) for row in shop.known}
    worst = max(single, key=lambda row: single[row][0])
    what = f"the form from the shop and the data, segment {names[worst]} the most,"
    likelihood = surface_likelihood(problem, parameters)
    if likelihood is None or not degrees:
        return _check("segment form from the shop", chi_squared, degrees, problem.freedom, what)
    p_value = 0.0
    for error, share in believed_errors(likelihood, problem.error):
        other = replace(problem, error=error, whitened=whiten(problem.reduction, error))
        away, freedom = _statistic(*_held(other, FORM, parameters, varied))
        p_value += share * float(chdtrc(freedom, away))
    return _judged("segment form from the shop", chi_squared, degrees, p_value, what)


def _moves(problem: JointProblem, parameters: FloatArray, varied: tuple[int, ...], names: list[str]) -> PriorCheck:
    """The last campaign and the moves since, of all segments together; those that stand elsewhere are named."""
    moved = problem.moved
    assert moved is not None
    mean, covariance = _held(problem, MOVES, parameters, varied)
    whole = _statistic(mean, covariance)
    if not moved.unsure:
        return _check(
            "the last campaign and the moves since",
            *whole,
            problem.freedom,
            "the last campaign with the moves since and now",
        )
    stand = ", ".join(_misplaced(problem, mean, row, names[row]) for row in moved.unsure)
    many = len(moved.unsure) > 1
    them, are = ("them", "they are") if many else ("it", "it is")
    return PriorCheck(
        name="the last campaign and the moves since",
        chi_squared=moved.chi_squared,
        degrees=problem.effects.r,
        p_value=moved.p_value,
        text=f"segment{'s' * many} {stand} of where the last campaign and the moves since put {them} "
        f"(p = {_spoken(moved.p_value)}): {are} not held to that",
    )


def _misplaced(problem: JointProblem, mean: FloatArray, row: int, name: str) -> str:
    moved = problem.moved
    assert moved is not None
    away = moved.factor[row][:, moved.columns(MOVES)] @ mean * _inflation(problem)
    height = f"{number(float(away[0]), 'length', sign=True)} and " if len(away) == 2 else ""
    return f"{name} stands {height}{number(float(away[-1]), 'angle', sign=True)} off"


def moved_checks(problem: JointProblem, parameters: FloatArray) -> dict[int, PriorCheck]:
    """For each segment measured in both campaigns, by row, whether it stands where the moves put it."""
    moved = problem.moved
    assert moved is not None
    mean, covariance = _held(problem, MOVES, parameters, (0, 1, 2))
    found = {}
    for row, factor in enumerate(moved.factor[:, :, moved.columns(MOVES)]):
        statistic = _statistic(*_of(mean, covariance, np.abs(factor).max(axis=0) > 0))
        if statistic[1]:
            found[row] = _check("moves", *statistic, problem.freedom, "the moves since the last campaign and now")
    return found


def _held(
    problem: JointProblem, name: str, parameters: FloatArray, varied: tuple[int, ...]
) -> tuple[FloatArray, FloatArray]:
    """Mean, over what spreads that are estimated cost, and covariance of the unknowns that rows of one hold."""
    columns = problem.held_columns(name)
    v = len(varied)
    covariance = problem.posterior(parameters, varied)[v:, v:][columns, columns]
    return problem.linear_solution(parameters)[columns] / _inflation(problem), covariance


def _inflation(problem: JointProblem) -> float:
    """By which standard uncertainties are larger for estimated spreads, but for Student's factor."""
    return problem.scale / coverage_scale(problem.freedom)


def _of(mean: FloatArray, covariance: FloatArray, chosen: Any) -> tuple[FloatArray, FloatArray]:
    return mean[chosen], covariance[np.ix_(chosen, chosen)]


def _statistic(mean: FloatArray, covariance: FloatArray) -> tuple[float, int]:
    """Chi-squared of unknowns of unit variance, and its degrees of freedom."""
    values, vectors = np.linalg.eigh(covariance)
    told = 1 - values > SAID
    turned = vectors.T @ mean
    return float(np.sum(turned[told] ** 2 / (1 - values[told]))), int(told.sum())
