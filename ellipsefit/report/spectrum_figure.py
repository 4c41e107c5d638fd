"""The figure of the power spectral density."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from ellipsefit.arrays import FloatArray
from ellipsefit.report.panels import legend_above, stack
from ellipsefit.report.style import GRID, INK, QUIET, WARM, our_style
from ellipsefit.spectrum import Spectrum

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Practical unit of a density by what was measured: factor to SI, name.
UNITS: Final = {"height": (1e-21, "nm² mm"), "slope": (1e-15, "urad² mm")}
_RAISED: Final = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
#: Normal quantile of an interval of 95 %.
WIDE: Final = 1.959964


def draw_spectrum(axes: Axes, spectrum: Spectrum) -> list[Artist]:
    """Draw the density of each segment thin, their mean with its 95 % interval, and the noise if it is known."""
    factor, unit = UNITS[spectrum.quantity]
    frequency = spectrum.frequency * 1e-3  # 1/mm
    artists: list[Artist] = []
    for number, row in enumerate(spectrum.density if len(spectrum.names) > 1 else ()):
        known = np.isfinite(row) & (row > 0)
        label = "each segment" if number == 0 else "_"
        artists += axes.plot(frequency[known], row[known] / factor, color=WARM, linewidth=0.6, alpha=0.7, label=label)
    known = np.isfinite(spectrum.mean) & (spectrum.mean > 0)
    x, mean = frequency[known], spectrum.mean[known] / factor
    wide = np.exp(WIDE * spectrum.stderr[known] / spectrum.mean[known])
    artists.append(
        axes.fill_between(x, mean / wide, mean * wide, color=INK, alpha=0.22, linewidth=0, label="95 % of the mean")
    )
    label = "mean of all" if len(spectrum.names) > 1 else "segment"
    artists += axes.plot(x, mean, color=INK, linewidth=1.6, label=label)
    if spectrum.noise is not None:
        level = axes.axhline(
            spectrum.noise / factor, color=QUIET, linewidth=1.1, linestyle=(0, (1, 1.5)), label="noise as fitted"
        )
        artists.append(level)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(frequency[0], frequency[-1])
    axes.grid(color=GRID, linewidth=0.5)
    axes.set_xlabel("spatial frequency [1/mm]")
    axes.set_ylabel(f"density of {spectrum.quantity}s [{unit}]")
    above = axes.secondary_xaxis("top", functions=(_inverse, _inverse))
    above.set_xlabel("wavelength [mm]")
    for axis in (axes.xaxis, above.xaxis):
        axis.set_major_formatter("{x:g}")
    axes.yaxis.set_major_formatter(_power)
    legend_above(axes, room=4.6, columns=4)
    return artists


def _power(value: float, _: object) -> str:
    """A power of ten in letters of the font: its way to set formulas takes longer than the rest of the figure."""
    exponent = f"{np.log10(value):.0f}" if value > 0 else ""
    return f"10{exponent.translate(_RAISED)}"


def _inverse(values: npt.ArrayLike) -> FloatArray:
    """Wavelength of a frequency, and back; the axis asks for zero, too."""
    with np.errstate(divide="ignore"):
        return np.asarray(1 / np.asarray(values, dtype=np.float64))


def plot_spectrum(spectrum: Spectrum) -> Figure:
    """Power spectral density of each segment and their mean."""
    with our_style():
        figure, (axes,) = stack((2.6,))
        draw_spectrum(axes, spectrum)
    return figure
