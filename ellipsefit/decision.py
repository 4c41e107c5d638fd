"""Decisions after ISO 14253-1: what is proven within a limit, proven outside, or neither."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal, get_args

from ellipsefit.errors import ParameterError

Decision = Literal["conform", "indeterminate", "non-conform"]

#: Standard uncertainties by which a value must be inside (outside) a limit to prove conformity (non-conformity): the
#: 95 % quantile of the normal distribution, one-sided, the default of ISO 14253-1:2017.
GUARD: Final = 1.6448536269514722


def decide(value: float, stderr: float, limit: float, *, at_least: bool = False) -> Decision:
    """Decision after ISO 14253-1 on |value| <= limit, or on value >= limit if `at_least`.

    Raises
    ------
    ParameterError
        If the standard uncertainty is negative or the limit not positive.

    Examples
    --------
    >>> decide(8.0, 1.0, 10.0), decide(9.0, 1.0, 10.0), decide(12.0, 1.0, 10.0)
    ('conform', 'indeterminate', 'non-conform')
    >>> decide(0.95, 0.01, 0.9, at_least=True)
    'conform'
    """
    if not (stderr >= 0 and limit > 0):
        raise ParameterError(f"decision: expected stderr >= 0 and limit > 0; got {stderr!r} and {limit!r}")
    inside = value - limit if at_least else limit - abs(value)
    if inside >= GUARD * stderr:
        return "conform"
    return "non-conform" if inside < -GUARD * stderr else "indeterminate"


def worst(decisions: Iterable[Decision]) -> Decision | None:
    """The worst of several decisions; None of none.

    Examples
    --------
    >>> worst(["conform", "non-conform", "indeterminate"])
    'non-conform'
    """
    order = get_args(Decision)
    return max(decisions, key=order.index, default=None)
