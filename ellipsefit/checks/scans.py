"""What raw scans can be asked before they are joined: their temperatures, and where they have gaps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from ellipsefit.checks.design import TEMPERATURE
from ellipsefit.checks.edges import check_gaps
from ellipsefit.checks.suspicion import Suspicion
from ellipsefit.mirror import Mirror
from ellipsefit.scan import Scan

#: Scans, evenly spread, whose gaps are looked at.
ASKED: Final = 20


def check_scans(scans: Sequence[Scan], mirror: Mirror, *, temperature_limit: float) -> list[Suspicion]:
    """Temperatures that cannot be, or are not those of the mirror file, and gaps in other places than the mirror's.

    Parameters
    ----------
    scans : sequence of Scan
    mirror : Mirror
    temperature_limit : float
        Difference of temperature [K] that is no mistake.
    """
    found = []
    how = mirror.measurement
    warm = {scan.name: float(scan.temperature.mean()) for scan in scans if scan.temperature is not None}
    for name, value in warm.items():
        if not TEMPERATURE[0] <= value <= TEMPERATURE[1]:
            found.append(
                Suspicion(
                    kind="temperature",
                    where=(name,),
                    text=f"scan '{name}' has a temperature of {value - 273.15:.4g} degC; expected 0 to 60 degC (degC "
                    "and K confused?)",
                    refused=True,
                )
            )
            return found
    if warm and how.temperature is not None:
        mean = float(np.mean(list(warm.values())))
        if abs(mean - how.temperature) > temperature_limit:
            found.append(
                Suspicion(
                    kind="temperature",
                    text=f"the scans were taken at {mean - 273.15:.2f} degC and the mirror file says "
                    f"{how.temperature - 273.15:.2f} degC; the scans' own temperature is used: check both",
                )
            )
    turn = 1.0 if how.x_direction == "downstream" else -1.0
    answers = []
    for scan in scans[:: -(-len(scans) // ASKED)]:
        x = turn * (scan.x - how.x_offset) / how.stretch
        suspicions, told = check_gaps(x[np.isfinite(scan.values)], mirror)
        if told:
            answers.append(suspicions)
    speaking = [answer for answer in answers if answer]
    if speaking and 2 * len(speaking) > len(answers):
        found += speaking[0]
    return found
