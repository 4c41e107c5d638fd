"""Power spectral density of a surface's error: how much of it lies at which wavelength."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, NamedTuple

import numpy as np

from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_

Window = Literal["hann", "none"]
#: Bands of equal ratio for each factor of ten in frequency, over which ordinates are averaged.
PER_DECADE: Final = 12
#: Points of a run that tell a spectrum, at the least.
FEWEST: Final = 8
#: Share of a step by which points may miss an even grid and still count as on it.
EVEN: Final = 0.01
#: Neighbours further apart than so many steps have a gap between them, over which nothing is filled in.
GAP: Final = 3.5
#: Squared correlation of a Hann periodogram's ordinates one and two apart: of the transform's values it is 2/3 and
#: 1/6, from the window's coefficients (-1/4, 1/2, -1/4).
NEXT: Final[dict[Window, tuple[float, float]]] = {"hann": (4 / 9, 1 / 36), "none": (0.0, 0.0)}


class Periodogram(NamedTuple):
    """One-sided power spectral density of one run of points."""

    frequency: FloatArray  # (K,) above zero [1/m]
    density: FloatArray  # (K,) [unit of the values squared, times m]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveBand:
    """What waves between two lengths contribute; `longest` may be infinite and `shortest` zero."""

    shortest: float  # [m]
    longest: float  # [m]
    height_rms: float  # [m]
    slope_rms: float  # [rad]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum(Result):
    """One-sided power spectral density of the figure error, per segment and their mean, in bands of frequency.

    Normalised so that its integral over frequency from 0 to 1 / (2 step) is the mean square of the error (Parseval);
    with a window, the mean square weighted by the window squared. Of heights in m**3, of slopes in rad**2 m.
    """

    table: ClassVar[str | None] = "bands"

    quantity: Literal["height", "slope"]
    window: Window
    names: tuple[str, ...]  # (S,) segments that tell one
    edges: FloatArray  # (B + 1,) of the bands [1/m]
    density: FloatArray  # (S, B) mean of each segment's ordinates in each band; NaN: it has none there
    mean: FloatArray  # (B,) mean of all ordinates of all segments
    stderr: FloatArray  # (B,) of that mean, for a stationary Gaussian surface
    noise: float | None  # density of the measurement's white noise, if it is known
    bands: tuple[WaveBand, ...]  # longest waves first
    shortest: float  # wavelength that two steps hold [m]

    def __post_init__(self) -> None:
        for name in ("edges", "density", "mean", "stderr"):
            object.__setattr__(self, name, sealed(getattr(self, name)))

    @property
    def frequency(self) -> FloatArray:
        """Middle of each band on the logarithmic scale [1/m], shape (B,)."""
        middle: FloatArray = np.sqrt(self.edges[1:] * self.edges[:-1])
        return middle

    @property
    def rms(self) -> float:
        """Root of the integral over all bands: of heights [m], of slopes [rad]."""
        key = "height_rms" if self.quantity == "height" else "slope_rms"
        return float(np.sqrt(sum(getattr(band, key) ** 2 for band in self.bands)))

    def to_dict(self) -> dict[str, Any]:
        """The machine-readable answer, SI; None where there is no ordinate."""

        def known(values: FloatArray) -> list[float | None]:
            return [float(value) if np.isfinite(value) else None for value in values]

        return {
            "quantity": self.quantity,
            "window": self.window,
            "frequency": self.frequency.tolist(),
            "mean": known(self.mean),
            "stderr": known(self.stderr),
            "segments": {name: known(row) for name, row in zip(self.names, self.density, strict=True)},
            "noise": self.noise,
            "bands": [
                {
                    "shortest": band.shortest,
                    "longest": band.longest if np.isfinite(band.longest) else None,
                    "height_rms": band.height_rms,
                    "slope_rms": band.slope_rms,
                }
                for band in self.bands
            ],
        }

    def arrays(self) -> tuple[Array, ...]:
        """Density of each segment and their mean over frequency."""
        unit = "m^3" if self.quantity == "height" else "m rad^2"
        return (
            Array("frequency", ("frequency",), self.frequency, "1/m", "middle of the band", True),
            Array("segment", ("segment",), self.names, "", "segment", True),
            Array("mean", ("frequency",), self.mean, unit, "power spectral density, mean of all segments"),
            Array("stderr", ("frequency",), self.stderr, unit, "standard uncertainty of the mean"),
            Array("density", ("segment", "frequency"), self.density, unit, "power spectral density of a segment"),
        )

    def rows(self) -> list[Table]:
        """Table of what lies at which wavelength."""
        cells = tuple(
            (_words(band), number(band.height_rms, "length"), number(band.slope_rms, "angle")) for band in self.bands
        )
        both = [float(np.sqrt(sum(getattr(band, key) ** 2 for band in self.bands))) for key in _RMS]
        total = ("all together", number(both[0], "length"), number(both[1], "angle"))
        notes = (
            "By the power spectral density, so slopes are not filtered and the measurement's noise is in all of it; "
            "squares of a column sum to that of its last row.",
        )
        header = ("wavelength", "height rms", "slope rms")
        return [Table(title="Figure error by wavelength", header=header, cells=(*cells, total), notes=notes)]

    def plot(self) -> Figure_:
        """Figure of the spectrum: each segment and their mean."""
        from ellipsefit.report import plot_spectrum  # the one way up: a result draws itself when asked

        return plot_spectrum(self)


_RMS: Final = ("height_rms", "slope_rms")


def _words(band: WaveBand) -> str:
    ends = [number(end, "length", digits=2) for end in (band.longest, band.shortest)]
    if not np.isfinite(band.longest):
        return f"longer than {ends[1]}" if band.shortest else "all"
    return f"{ends[0]} to {ends[1]}" if band.shortest else f"shorter than {ends[0]}"


def periodogram(x: FloatArray, values: FloatArray, *, window: Window = "hann") -> Periodogram:
    """One-sided power spectral density of values along x.

    P_k = 2 step |X_k|**2 / sum(w**2), with X the discrete Fourier transform of w times (values - mean) and half of
    that at the highest frequency of an even count; without a window, sum(P) / (N step) is the mean square deviation
    from the mean. That of the longest run without a gap; points off an even grid are interpolated on one, which makes
    the power of a wave of four steps smaller by up to a half and of one of twenty steps by 2 %.

    Parameters
    ----------
    x : array, shape (N,)
        Positions [m], increasing; values at the same place are averaged.
    values : array, shape (N,)
    window : {'hann', 'none'}
        'hann' keeps long waves from leaking into short ones.

    Returns
    -------
    Periodogram
        Without the mean; no ordinates where fewer than 8 points lie in a run.

    Raises
    ------
    ParameterError
        If the window is unknown.
    """
    from scipy.signal import periodogram as transform

    if window not in NEXT:
        raise ParameterError(f"window: got {window!r}; expected one of {', '.join(NEXT)}")
    places, even, step = _on_even_grid(x, values)
    if len(places) < FEWEST:
        return Periodogram(np.zeros(0), np.zeros(0))
    frequency, density = transform(
        even, 1 / step, window="boxcar" if window == "none" else window, detrend="constant", scaling="density"
    )
    return Periodogram(np.asarray(frequency[1:], dtype=np.float64), np.asarray(density[1:], dtype=np.float64))


def _on_even_grid(x: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Longest run without a gap on a grid of the median step: positions, values, step."""
    places, which = np.unique(x, return_inverse=True)
    if len(places) < len(x):
        x, values = places, np.bincount(which, values) / np.bincount(which)
    if len(x) < 2:
        return x, values, 1.0
    distance = np.diff(x)
    cuts = [0, *(np.flatnonzero(distance > GAP * np.median(distance)) + 1).tolist(), len(x)]
    start, stop = max(pairwise(cuts), key=lambda pair: pair[1] - pair[0])
    x, values = x[start:stop], values[start:stop]
    if len(x) < 2:
        return x, values, 1.0
    step = float(np.median(np.diff(x)))
    count = round(float(x[-1] - x[0]) / step) + 1
    step = float(x[-1] - x[0]) / (count - 1)
    grid = x[0] + step * np.arange(count)
    if count == len(x) and np.abs(x - grid).max() <= EVEN * step:
        return x, values, step
    return grid, np.interp(grid, x, values), step


def figure_spectrum(
    parts: Sequence[tuple[str, FloatArray, FloatArray]],
    quantity: Literal["height", "slope"],
    *,
    window: Window = "hann",
    noise: float | None = None,
) -> Spectrum:
    """Power spectral density of each segment's figure error and of all.

    Parameters
    ----------
    parts : sequence of (name, x, error)
        Of each segment: positions [m] and what is left when ellipse, pose, height and tilt are taken away [m or rad].
    quantity : {'height', 'slope'}
        What was measured.
    window : {'hann', 'none'}
    noise : float, optional
        One-sided density of the measurement's white noise, 2 sigma**2 step [m**3 or rad**2 m].

    Raises
    ------
    ParameterError
        If no segment has a run of 8 points, or the window is unknown.
    """
    found = {name: periodogram(x, error, window=window) for name, x, error in parts}
    found = {name: one for name, one in found.items() if len(one.frequency)}
    if not found:
        raise ParameterError(f"spectrum: no segment has {FEWEST} points in a row without a gap")
    lowest = min(float(one.frequency[0]) for one in found.values())
    highest = max(float(one.frequency[-1]) for one in found.values())
    count = max(round(PER_DECADE * np.log10(highest / lowest)), 1)
    # the ends a little apart, so that rounding leaves no ordinate outside
    edges = np.geomspace(lowest * (1 - 1e-9), highest * (1 + 1e-9), count + 1)
    sums = np.array([_in_bands(one.frequency, one.density, edges) for one in found.values()])
    counts = np.array([_in_bands(one.frequency, np.ones_like(one.density), edges) for one in found.values()])
    near = NEXT[window]
    # ordinates that go into the mean, had they not to do with each other
    spread = counts + 2 * near[0] * np.maximum(counts - 1, 0) + 2 * near[1] * np.maximum(counts - 2, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        density = sums / counts
        mean = sums.sum(axis=0) / counts.sum(axis=0)
        stderr = mean * np.sqrt(spread.sum(axis=0)) / counts.sum(axis=0)
    return Spectrum(
        quantity=quantity,
        window=window,
        names=tuple(found),
        edges=edges,
        density=density,
        mean=mean,
        stderr=stderr,
        noise=noise,
        bands=_wave_bands(list(found.values()), quantity),
        shortest=1 / highest,
    )


def _in_bands(frequency: FloatArray, values: FloatArray, edges: FloatArray) -> FloatArray:
    place: IntArray = np.searchsorted(edges, frequency, side="right") - 1
    return np.asarray(np.bincount(place, values, len(edges) - 1)[: len(edges) - 1], dtype=np.float64)


def _wave_bands(found: list[Periodogram], quantity: Literal["height", "slope"]) -> tuple[WaveBand, ...]:
    """Mean squares by powers of ten in wavelength, each segment counting by its length."""
    lowest, highest = (pick(float(one.frequency[at]) for one in found) for pick, at in ((min, 0), (max, -1)))
    powers = [10.0**power for power in range(int(np.ceil(np.log10(lowest))), int(np.ceil(np.log10(highest))))]
    # a power that is the lowest or highest frequency itself parts nothing
    limits = [0.0, *(power for power in powers if lowest * (1 + 1e-9) < power < highest), np.inf]
    lengths = np.array([1 / one.frequency[0] for one in found])
    bands = []
    for low, high in pairwise(limits):
        squares = np.zeros(2)
        for one, length in zip(found, lengths, strict=True):
            inside = (one.frequency >= low) & (one.frequency < high)
            f, power = one.frequency[inside], one.density[inside] / length
            turned = (2 * np.pi * f) ** (2 if quantity == "height" else -2)
            own = power.sum(), (power * turned).sum()
            squares += length * np.array(own if quantity == "height" else own[::-1])
        height, slope = np.sqrt(squares / lengths.sum())
        bands.append(
            WaveBand(
                shortest=0.0 if high == np.inf else 1 / high,
                longest=np.inf if low == 0 else 1 / low,
                height_rms=float(height),
                slope_rms=float(slope),
            )
        )
    return tuple(bands)
