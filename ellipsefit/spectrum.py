"""Power spectral density of a surface's error: how much of it lies at which wavelength."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray, IntArray, sealed
from ellipsefit.errors import ParameterError
from ellipsefit.results import Array, Result
from ellipsefit.rows import Table, number, stated

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Figure_
    from scipy.sparse import csr_array

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
    """What waves between two lengths contribute; `longest` may be infinite and `shortest` zero.

    `*_stderr` is how far another measurement of the same surface would scatter about it, and `*_noise_rms` what the
    measurement's noise is of it by itself; squares subtract.
    """

    shortest: float  # [m]
    longest: float  # [m]
    height_rms: float  # [m]
    slope_rms: float  # [rad]
    height_rms_stderr: float | None = None  # None, as all below: nothing is known of the measurement's errors
    slope_rms_stderr: float | None = None
    height_noise_rms: float | None = None
    slope_noise_rms: float | None = None


class BandPulls(NamedTuple):
    """How the measured points of a segment pull on what it adds to the mean squares of height and slope in bands.

    Errors of the points change these by twice the pulls times them, to first order; noise has the variance V.
    """

    points: FloatArray  # (B, 2, N) pulls of the points; those of all bands together are their sum
    square: FloatArray  # (B, 2) added to the mean square
    noise: FloatArray  # (B, 2) what noise adds to it: trace of F V F'
    pairs: FloatArray  # (B + 1, 2) trace of (F V F')**2; last of all bands together


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
    whole: WaveBand  # all waves
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
        return self.whole.height_rms if self.quantity == "height" else self.whole.slope_rms

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
            "bands": [_told(band) for band in self.bands],
            "whole": _told(self.whole),
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
        lines = [*((_words(band), band) for band in self.bands), ("all together", self.whole)]
        cells: list[tuple[str, ...]] = []
        for words, band in lines:
            height = stated(band.height_rms, band.height_rms_stderr, "length")
            slope = stated(band.slope_rms, band.slope_rms_stderr, "angle")
            noises = number(band.height_noise_rms, "length", digits=2), number(band.slope_noise_rms, "angle", digits=2)
            cells.append((words, height, noises[0], slope, noises[1]))
        header: tuple[str, ...] = ("wavelength", "height rms", "noise in it", "slope rms", "noise in it")
        notes = [
            "By the power spectral density, so slopes are not filtered and the measurement's noise is in all of it; "
            "squares of a column sum to that of its last row."
        ]
        if self.whole.height_rms_stderr is not None:
            notes.append(
                "± is how far another measurement of this surface would scatter about it. A row that is all noise "
                "tells of the surface only that it has less."
            )
        if self.whole.height_noise_rms is None:
            header, cells = (header[0], header[1], header[3]), [(cell[0], cell[1], cell[3]) for cell in cells]
        return [Table(title="Figure error by wavelength", header=header, cells=tuple(cells), notes=tuple(notes))]

    def plot(self) -> Figure_:
        """Figure of the spectrum: each segment and their mean."""
        from ellipsefit.report import plot_spectrum  # the one way up: a result draws itself when asked

        return plot_spectrum(self)


def _told(band: WaveBand) -> dict[str, float | None]:
    """For JSON; None for an infinite wavelength."""
    return asdict(band) | {"longest": band.longest if np.isfinite(band.longest) else None}


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
    run = _Run.of(x, values, window)
    return Periodogram(np.zeros(0), np.zeros(0)) if run is None else Periodogram(run.frequency, run.density)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Run:
    """The longest run of points without a gap, on an even grid, and its transform."""

    shape: FloatArray  # (n,) the window
    step: float
    transform: npt.NDArray[np.complex128]  # (K,) of window times (values - mean), without that at zero
    frequency: FloatArray  # (K,)
    density: FloatArray  # (K,)
    points: int  # N, as measured
    grid: slice | csr_array  # which of them are on the grid; or (n, N), what they are there
    lost: float  # share of their noise that interpolation takes away
    alike: tuple[float, float]  # squared correlation of ordinates one and two apart

    @classmethod
    def of(cls, x: FloatArray, values: FloatArray, window: Window) -> _Run | None:
        """Of points as they come; None where fewer than 8 lie in a run."""
        from scipy.fft import rfft, rfftfreq
        from scipy.signal import get_window

        if window not in NEXT:
            raise ParameterError(f"window: got {window!r}; expected one of {', '.join(NEXT)}")
        places = x if np.all(np.diff(x) > 0) else np.unique(x)
        found = _on_even_grid(places)
        if found is None:
            return None
        even, step, start = found
        run = slice(start, start + len(even))
        grid: slice | csr_array = run
        shape = np.asarray(get_window("boxcar" if window == "none" else window, len(even)), dtype=np.float64)
        on_grid, lost = values[run], 0.0
        if len(places) < len(x) or not np.array_equal(places[run], even):
            grid, share = _to_grid(x, places, even)
            on_grid = np.asarray(grid @ values, dtype=np.float64)
            lost = float(np.average(2 * share * (1 - share), weights=shape**2))
        # the transform itself is needed, too, so that the library's periodogram would be a second one
        transform = np.asarray(rfft(shape * (on_grid - on_grid.mean())), dtype=np.complex128)[1:]
        density = 2 * step / float(shape @ shape) * (transform.real**2 + transform.imag**2)
        density[-1] /= 1 + (len(even) % 2 == 0)
        return cls(
            shape=shape,
            step=step,
            transform=transform,
            frequency=np.asarray(rfftfreq(len(even), step)[1:], dtype=np.float64),
            density=density,
            grid=grid,
            lost=lost,
            points=len(x),
            alike=NEXT[window],
        )

    def pulls(self, weights: FloatArray, variance: FloatArray) -> BandPulls:
        """Of sums of ordinates times weights (B, 2, K); `variance` (N,) is that of the points' noise."""
        from scipy.fft import irfft

        count, even = len(self.shape), len(self.shape) % 2 == 0
        factor = weights * (2 * self.step / float(self.shape @ self.shape))  # of |transform|**2
        factor[..., -1] /= 1 + even
        # half the derivative by a value on the grid: the real part of a sum over ordinates
        back = np.zeros((*weights.shape[:-1], count // 2 + 1), dtype=np.complex128)
        np.multiply(factor, self.transform * (count / 2), out=back[..., 1:])
        back[..., -1] *= 1 + even
        pulls: FloatArray = irfft(back, count, overwrite_x=True)
        pulls *= self.shape
        pulls -= pulls.mean(axis=-1, keepdims=True)
        points = pulls
        if not isinstance(self.grid, slice):
            points = (self.grid.T @ pulls.reshape(-1, count).T).T.reshape(*weights.shape[:-1], -1)
            noise = self.grid.power(2) @ variance
        else:
            noise = variance[self.grid]
            if count < self.points:
                points = np.zeros((*weights.shape[:-1], self.points))
                points[..., self.grid] = pulls
        # interpolation leaves less noise, and of that less in short waves
        each = factor * (float(np.square(self.shape) @ noise) / (1 - self.lost))
        if self.lost:
            each *= 1 - self.lost * (1 - np.cos(2 * np.pi * self.frequency * self.step))
        pairs = _pairs(each, self.alike, even)
        return BandPulls(
            points=points,
            square=weights @ self.density,
            noise=each.sum(axis=-1),
            pairs=np.concatenate([pairs, _pairs(each.sum(axis=0, keepdims=True), self.alike, even)]),
        )


def _pairs(each: FloatArray, near: tuple[float, float], even: bool) -> FloatArray:
    """Half the variance of sums of ordinates of noise, of these means (..., K)."""
    found = np.einsum("...k,...k->...", each, each) + even * np.square(each[..., -1])
    for apart, alike in enumerate(near, 1):
        if alike:
            found = found + 2 * alike * np.einsum("...k,...k->...", each[..., apart:], each[..., :-apart])
    return np.asarray(found / 2)


def _on_even_grid(x: FloatArray) -> tuple[FloatArray, float, int] | None:
    """Longest run of places without a gap as a grid of their median step, the step, and its first; None: too few."""
    if len(x) < FEWEST:
        return None
    distance = np.diff(x)
    cuts = [0, *(np.flatnonzero(distance > GAP * np.median(distance)) + 1).tolist(), len(x)]
    start, stop = max(pairwise(cuts), key=lambda pair: pair[1] - pair[0])
    x = x[start:stop]
    if len(x) < FEWEST:
        return None
    step = float(np.median(np.diff(x)))
    count = round(float(x[-1] - x[0]) / step) + 1
    step = float(x[-1] - x[0]) / (count - 1)
    grid = x[0] + step * np.arange(count)
    if count == len(x) and np.abs(x - grid).max() <= EVEN * step:
        return x, step, start
    return (grid, step, start) if count >= FEWEST else None


def _to_grid(x: FloatArray, places: FloatArray, even: FloatArray) -> tuple[csr_array, FloatArray]:
    """Map of values at `x` to a grid, those at the same of the `places` averaged; how far each lies to the next one."""
    from scipy.sparse import csr_array

    left = np.clip(np.searchsorted(places, even, side="right") - 1, 0, len(places) - 2)
    share = np.clip((even - places[left]) / (places[left + 1] - places[left]), 0.0, 1.0)
    ends = np.stack([left, left + 1], axis=1).ravel()
    parts = np.stack([1 - share, share], axis=1).ravel()
    grid = csr_array((parts, ends, 2 * np.arange(len(even) + 1)), shape=(len(even), len(places)))
    which = np.searchsorted(places, x)
    mean = csr_array((1 / np.bincount(which)[which], (which, np.arange(len(x)))), shape=(len(places), len(x)))
    return grid @ mean, share


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
    return pulled_spectrum(parts, quantity, window=window, noise=noise)[0]


def pulled_spectrum(
    parts: Sequence[tuple[str, FloatArray, FloatArray]],
    quantity: Literal["height", "slope"],
    *,
    window: Window = "hann",
    noise: float | None = None,
    variances: Sequence[FloatArray] | None = None,
) -> tuple[Spectrum, dict[str, BandPulls]]:
    """As `figure_spectrum`, with what the uncertainty of the bands needs.

    Parameters
    ----------
    parts, quantity, window, noise
        As for `figure_spectrum`.
    variances : sequence of array, optional
        Of each part: variances of its points' noise, up to a factor. Without them there are no pulls.
    """
    runs = {name: run for name, x, error in parts if (run := _Run.of(x, error, window)) is not None}
    if not runs:
        raise ParameterError(f"spectrum: no segment has {FEWEST} points in a row without a gap")
    found = {name: Periodogram(run.frequency, run.density) for name, run in runs.items()}
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
    limits = _limits(lowest, highest)
    length = sum(1 / float(one.frequency[0]) for one in found.values())
    weights = {name: _weights(one.frequency, limits, quantity) / length for name, one in found.items()}
    squares = np.sum([weights[name] @ one.density for name, one in found.items()], axis=0)
    squares = np.concatenate([squares, squares.sum(axis=0, keepdims=True)])
    *bands, whole = (
        WaveBand(
            shortest=0.0 if high == np.inf else 1 / high,
            longest=np.inf if low == 0 else 1 / low,
            height_rms=float(height),
            slope_rms=float(slope),
        )
        for (low, high), (height, slope) in zip([*pairwise(limits), (0.0, np.inf)], np.sqrt(squares), strict=True)
    )
    spectrum = Spectrum(
        quantity=quantity,
        window=window,
        names=tuple(found),
        edges=edges,
        density=density,
        mean=mean,
        stderr=stderr,
        noise=noise,
        bands=tuple(bands),
        whole=whole,
        shortest=1 / highest,
    )
    if variances is None:
        return spectrum, {}
    sure = {name: variance for (name, _, _), variance in zip(parts, variances, strict=True)}
    return spectrum, {name: run.pulls(weights[name], sure[name]) for name, run in runs.items()}


def _in_bands(frequency: FloatArray, values: FloatArray, edges: FloatArray) -> FloatArray:
    place: IntArray = np.searchsorted(edges, frequency, side="right") - 1
    return np.asarray(np.bincount(place, values, len(edges) - 1)[: len(edges) - 1], dtype=np.float64)


def _limits(lowest: float, highest: float) -> list[float]:
    """Frequencies between which bands lie: powers of ten in wavelength."""
    powers = [10.0**power for power in range(int(np.ceil(np.log10(lowest))), int(np.ceil(np.log10(highest))))]
    # a power that is the lowest or highest frequency itself parts nothing
    return [0.0, *(power for power in powers if lowest * (1 + 1e-9) < power < highest), np.inf]


def _weights(frequency: FloatArray, limits: list[float], quantity: Literal["height", "slope"]) -> FloatArray:
    """By which ordinates of a run sum to the mean squares of height and slope in bands, (B, 2, K)."""
    inside = [(frequency >= low) & (frequency < high) for low, high in pairwise(limits)]
    turned = (2 * np.pi * frequency) ** (2 if quantity == "height" else -2)
    both = [np.ones_like(turned), turned] if quantity == "height" else [turned, np.ones_like(turned)]
    found: FloatArray = np.where(np.stack(inside)[:, None, :], np.stack(both), 0.0)
    return found
