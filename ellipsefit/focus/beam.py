"""The beam that meets a mirror: source, wavelength, aperture and plane, coating."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final, Literal, get_args

import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import ParameterError
from ellipsefit.rows import number

Kind = Literal["neutron", "x-ray"]
Shape = Literal["uniform", "gaussian"]
Coherence = Literal["full", "source"]

#: Planck's constant over the neutron's mass [m**2/s]: lambda = H_OVER_M / v. CODATA 2022: 3956.0340 angstrom m/s.
H_OVER_M: Final = 3956.034006119442e-10
#: Standard acceleration of free fall [m/s**2] (CGPM 1901).
FREE_FALL: Final = 9.80665
#: Full width at half maximum over standard deviation of a Gaussian.
FWHM: Final = 2 * math.sqrt(2 * math.log(2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """One-dimensional distribution about zero: of places in the source [m] or of directions [rad].

    Parameters
    ----------
    shape : {'uniform', 'gaussian'}
    width : float
        Full width of the uniform one, full width at half maximum of the Gaussian; 0: a point.
    places, weights : tuple of float
        Given distribution instead: the density is linear between these places. Empty: none is given.
    """

    shape: Shape = "uniform"
    width: float = 0.0
    places: tuple[float, ...] = ()
    weights: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.shape not in get_args(Shape):
            raise ParameterError(f"shape must be one of {', '.join(get_args(Shape))}; got {self.shape!r}")
        if not 0 <= self.width < math.inf:
            raise ParameterError(f"width must not be negative; got {self.width!r}")
        if self.places or self.weights:
            if len(self.places) != len(self.weights) or len(self.places) < 2:
                raise ParameterError(
                    f"places and weights must be two or more each, as many of one as of the other; got "
                    f"{len(self.places)} and {len(self.weights)}"
                )
            if not np.all(np.diff(self.places) > 0):
                raise ParameterError("places must increase")
            if not (np.min(self.weights) >= 0 and np.max(self.weights) > 0 and np.all(np.isfinite(self.weights))):
                raise ParameterError("weights must not be negative, and one of them must be above 0")

    @property
    def is_point(self) -> bool:
        """Whether it has no width."""
        return self.width == 0 and not self.places

    @property
    def mean(self) -> float:
        """Mean [m or rad]."""
        return self._moment(1) if self.places else 0.0

    @property
    def std(self) -> float:
        """Standard deviation [m or rad]."""
        if self.places:
            return math.sqrt(max(self._moment(2) - self._moment(1) ** 2, 0.0))
        return self.width / (math.sqrt(12) if self.shape == "uniform" else FWHM)

    def cdf(self, value: FloatArray) -> FloatArray:
        """Share at or below a value."""
        if self.places:
            return self._table_cdf(value)
        if self.is_point:
            return np.where(np.asarray(value) >= 0, 1.0, 0.0)
        if self.shape == "uniform":
            return np.clip(np.asarray(value) / self.width + 0.5, 0.0, 1.0)
        from scipy.special import ndtr

        return np.asarray(ndtr(np.asarray(value) / self.std), dtype=np.float64)

    def quantile(self, share: FloatArray) -> FloatArray:
        """Value below which a share lies, 0 < share < 1."""
        if self.places:
            x, cumulated = self._fine_cdf()
            return np.interp(share, cumulated, x)
        if self.shape == "uniform" or self.is_point:
            return self.width * (np.asarray(share) - 0.5)
        from scipy.special import ndtri

        return np.asarray(self.std * ndtri(share), dtype=np.float64)

    def _moment(self, power: int) -> float:
        x, w = np.array(self.places), np.array(self.weights)
        a, b = x[:-1], x[1:]
        # piecewise linear density: two Gauss points integrate its product with x and x**2 exactly
        total, mass = 0.0, 0.0
        for share in (0.5 - 0.5 / math.sqrt(3), 0.5 + 0.5 / math.sqrt(3)):
            place, density = a + share * (b - a), w[:-1] + share * (w[1:] - w[:-1])
            total += float(np.sum(density * place**power * (b - a)) / 2)
            mass += float(np.sum(density * (b - a)) / 2)
        return total / mass

    def _fine_cdf(self) -> tuple[FloatArray, FloatArray]:
        x = np.unique(
            np.concatenate([np.linspace(a, b, 65) for a, b in zip(self.places, self.places[1:], strict=False)])
        )
        return x, self._table_cdf(x)

    def _table_cdf(self, value: FloatArray) -> FloatArray:
        x, w = np.array(self.places), np.array(self.weights)
        parts = np.concatenate([[0.0], np.cumsum((w[1:] + w[:-1]) / 2 * np.diff(x))])
        where = np.clip(value, x[0], x[-1])
        cell = np.clip(np.searchsorted(x, where, side="right") - 1, 0, len(x) - 2)
        step = where - x[cell]
        slope = (w[cell + 1] - w[cell]) / (x[cell + 1] - x[cell])
        return np.asarray((parts[cell] + step * (w[cell] + slope * step / 2)) / parts[-1], dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coating:
    """A supermirror's reflectivity over momentum transfer, see `focus.reflectivity`.

    `m` of segments that state none themselves (None: they reflect all); `critical_q` [1/m] where natural
    nickel stops reflecting totally; `reflectivity` R0 below it; `slope` alpha [m] of the fall up to m
    critical_q; `width` W [1/m] of the edge there; `roughness` [m], rms.
    """

    m: float | None = None
    reflectivity: float = 0.99
    critical_q: float = 0.0217e10
    slope: float = 5.0e-10
    width: float = 0.003e10
    roughness: float = 0.0

    def __post_init__(self) -> None:
        if self.m is not None and not 0 < self.m < math.inf:
            raise ParameterError(f"coating: m must be above 0; got {self.m!r}")
        if not 0 < self.reflectivity <= 1:
            raise ParameterError(f"coating: reflectivity must be above 0 and at most 1; got {self.reflectivity!r}")
        for name in ("critical_q", "width"):
            if not 0 < getattr(self, name) < math.inf:
                raise ParameterError(f"coating: {name} must be above 0; got {getattr(self, name)!r}")
        for name in ("slope", "roughness"):
            if not 0 <= getattr(self, name) < math.inf:
                raise ParameterError(f"coating: {name} must not be negative; got {getattr(self, name)!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Beam:
    """What comes from the source and where it is wanted; lengths in m, angles in rad.

    Parameters
    ----------
    kind : {'neutron', 'x-ray'}
    wavelength : tuple of float
        Shortest and longest [m], evenly filled; twice the same for a single one.
    source : Distribution
        Places in the source across the chief ray.
    divergence : Distribution, optional
        Directions about that from the source's middle to the pole; None: the beam fills the mirror evenly
        in angle, from its first to its last edge.
    source_along, source_across : float
        Source minus nominal source focus, along the incoming chief ray (downstream) and across (towards +z).
    aperture : float, optional
        Width, in the plane across the outgoing chief ray; None: all that reaches the plane counts.
    aperture_offset : float
        Its middle across the chief ray, positive towards +z.
    plane : float
        Where the plane stands, from the nominal image focus along the chief ray, downstream positive.
    required_throughput : float, optional
        Share of the beam that must pass the aperture.
    coating : Coating
        Used for neutrons.
    gravity : bool
        Whether neutrons fall; needs the mirror's `deflection` to know where down is.
    coherence : {'full', 'source'}
        Of X-rays at the mirror: as from a point, or as the size of the source makes it.
    height : float
        Width of the beam in the third dimension at the mirror [m], for segments with roll and twist.

    Raises
    ------
    ParameterError
        Names the key and what was expected.
    """

    kind: Kind
    wavelength: tuple[float, float]
    source: Distribution = field(default_factory=Distribution)
    divergence: Distribution | None = None
    source_along: float = 0.0
    source_across: float = 0.0
    aperture: float | None = None
    aperture_offset: float = 0.0
    plane: float = 0.0
    required_throughput: float | None = None
    coating: Coating = field(default_factory=Coating)
    gravity: bool = True
    coherence: Coherence = "full"
    height: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in get_args(Kind):
            raise ParameterError(f"kind must be one of {', '.join(get_args(Kind))}; got {self.kind!r}")
        if self.coherence not in get_args(Coherence):
            raise ParameterError(f"coherence must be one of {', '.join(get_args(Coherence))}; got {self.coherence!r}")
        shortest, longest = self.wavelength
        if not 0 < shortest <= longest < math.inf:
            raise ParameterError(
                "wavelength must be above 0, and a band must run from the shorter to the longer; got "
                f"{shortest * 1e10:.6g} angstrom to {longest * 1e10:.6g} angstrom"
            )
        if self.divergence is not None and self.divergence.is_point:
            raise ParameterError("divergence must be above 0; leave it out for a beam that fills the mirror")
        if self.aperture is not None and not 0 < self.aperture < math.inf:
            raise ParameterError(f"aperture must be wider than 0; got {number(self.aperture, 'length')}")
        for name in ("source_along", "source_across", "aperture_offset", "plane"):
            if not math.isfinite(getattr(self, name)):
                raise ParameterError(f"{name} must be finite; got {getattr(self, name)!r}")
        if self.required_throughput is not None and not 0 < self.required_throughput <= 1:
            raise ParameterError(
                f"required_throughput must be a share above 0 and at most 1; got {self.required_throughput!r}"
            )
        if not 0 <= self.height < math.inf:
            raise ParameterError(f"height must not be negative; got {self.height!r}")

    @property
    def mean_wavelength(self) -> float:
        """Middle of the band [m]."""
        return (self.wavelength[0] + self.wavelength[1]) / 2

    def wavelengths(self, share: FloatArray) -> FloatArray:
        """Wavelength [m] below which a share of the band lies."""
        shortest, longest = self.wavelength
        return shortest + (longest - shortest) * np.asarray(share)

    def to_dict(self) -> dict[str, Any]:
        """What is essential of it, for JSON (SI)."""
        return {
            "kind": self.kind,
            "wavelength": list(self.wavelength),
            "source_rms": self.source.std,
            "divergence_rms": None if self.divergence is None else self.divergence.std,
            "source_position": [self.source_along, self.source_across],
            "aperture": None if self.aperture is None else [self.aperture, self.aperture_offset],
            "plane": self.plane,
            "required_throughput": self.required_throughput,
        }
