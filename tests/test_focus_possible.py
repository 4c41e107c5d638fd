"""Mirrors that a fit holds possible: against dense conditioning, and against mirrors whose figure is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from ellipsefit.arrays import FloatArray, IntArray
from ellipsefit.fit import EllipseFit, fit_ellipse
from ellipsefit.focus import (
    Distribution,
    FigureError,
    Piece,
    Surface,
    measured_surface,
    spot_in,
    trace_focus,
    trace_surface,
)
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.model import Model
from ellipsefit.focus.possible import Drawn, OpenFigure, Possible
from ellipsefit.focus.waves import line_spread
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Quantity
from ellipsefit.simulate import invented_mirror
from tests.focus_cases import smooth, true_mirror, x_rays


def kernel(distance: FloatArray, fit: EllipseFit, order: int) -> FloatArray:
    """Gaussian covariance of the fit's surface error and its derivatives, or that of such an error's slope."""
    error = fit.settings.surface_error
    d = distance / error.length
    if error.kind.of_slope:
        assert not order
        return np.asarray(error.correlated**2 * (1 - d * d) * np.exp(-d * d / 2))
    factor = {0: np.ones_like(d), 1: -d / error.length, 2: (d * d - 1) / error.length**2}[order]
    return np.asarray(error.correlated**2 * factor * np.exp(-d * d / 2))


@pytest.mark.parametrize("shared", [0, 2])
@pytest.mark.parametrize("quantity", ["height", "slope"])
def test_slopes_are_as_unsure_as_dense_conditioning_tells(quantity: Quantity, shared: int) -> None:
    """Covariance of the surface's slope: Rasmussen and Williams 2006, eq. 2.42, from all points at once, flat priors.

    Here the model's covariances are written anew, and all is one dense problem: unknowns with their columns, the
    figure, noise, and what points share as covariance. What differs: the fit compresses points into means over some
    millimetres, a hundredth of the correlation length squared, and the model's rows lie on 6 knots a length.
    """
    _, _, profile = true_mirror(3, 0.6, 4, noise=2e-9 if quantity == "height" else 2e-7, step=2e-3, quantity=quantity)
    if shared:
        s = profile.x / 0.3
        size = 10e-9 if quantity == "height" else 1e-7
        factor = size * np.column_stack([np.cos(4 * s), np.sin(9 * s)])
        profile = replace(profile, covariance_factor=factor)
    mirror = invented_mirror(segments=3, length=0.6)
    fit = fit_ellipse(profile, mirror, segments="free")
    error = fit.settings.surface_error
    assert np.isinf(error.kind.smoothness)
    heights = quantity == "height"

    place = np.concatenate([np.linspace(item.start + 0.01, item.end - 0.01, 9) for item in mirror.segments])
    piece = np.repeat(np.arange(3), 9)
    possible = Possible.of(fit, measured_surface(fit))
    stated = stated_slopes(possible, fit, piece, place)

    x, owner = fit.placed.x, np.repeat(np.arange(3), [fit.placed.points_of(number) for number in range(3)])
    varied = [("p", "q", "theta").index(name) for name in fit.varied]
    middles = np.array([item.middle for item in mirror.segments])

    def columns(at: FloatArray, of: IntArray, *, slopes: bool) -> FloatArray:
        mine = np.eye(3)[of]
        lever = mine * (at - middles[of])[:, None]
        partials = fit.ellipse.slope_partials(at) if slopes else fit.ellipse.height_partials(at)
        own = ([np.zeros_like(mine), mine] if slopes else [mine, lever]) if heights else [mine]
        return np.column_stack([np.stack(partials, axis=1)[:, varied], *own])

    known = columns(x, owner, slopes=not heights)
    wanted = columns(place, piece, slopes=True)
    same = owner[:, None] == owner
    assert fit.placed.sigma is not None
    measured = same * kernel(x[:, None] - x, fit, 0) + np.diag((error.noise * fit.placed.sigma) ** 2)
    if shared:
        assert fit.placed.covariance_factor is not None
        measured += fit.placed.covariance_factor @ fit.placed.covariance_factor.T
    across = (piece[:, None] == owner) * kernel(place[:, None] - x, fit, 1 if heights else 0)
    distance = place[:, None] - place
    prior = (piece[:, None] == piece) * (-kernel(distance, fit, 2) if heights else kernel(distance, fit, 0))
    gain = np.linalg.solve(measured, across.T).T
    rest = wanted - gain @ known
    size = np.linalg.norm(known, axis=0)
    normal = (known / size).T @ np.linalg.solve(measured, known / size)
    dense = prior - gain @ across.T + (rest / size) @ np.linalg.solve(normal, (rest / size).T)

    scale = np.sqrt(np.diag(dense))
    assert_allclose(np.sqrt(np.diag(stated)) / scale, 1.0, rtol=0.05)
    assert np.abs((stated - dense) / np.outer(scale, scale)).max() < 0.1
    # what the state alone would say is another matter
    alone = stated_slopes(replace(possible, figures=(None,) * 3), fit, piece, place)
    assert np.abs(np.sqrt(np.diag(alone)) / scale - 1).max() > 0.3


def stated_slopes(possible: Possible, fit: EllipseFit, piece: IntArray, place: FloatArray) -> FloatArray:
    """Covariance of the surface's slope at places, by state and figures of what is possible."""
    k = len(possible.figures)
    tilts = np.eye(k)[piece]
    dm = np.column_stack([0 * tilts, tilts, 0 * place, np.ones_like(place), *fit.ellipse.slope_partials(place)])
    moves = dm @ possible.state
    hidden = np.zeros((len(place), len(place)))
    for number, figure in enumerate(possible.figures):
        if figure is None:
            continue
        mine = np.flatnonzero(piece == number)
        at = np.array([np.interp(place[mine], figure.knots, one) for one in np.eye(len(figure.knots))]).T
        moves[mine] += at @ figure.slope
        hidden[np.ix_(mine, mine)] = at @ figure.hidden @ at.T
    return np.asarray(moves @ possible.covariance @ moves.T + hidden)


def test_draws_scatter_as_what_they_are_drawn_from() -> None:
    """4,000 draws: the state to rounding, figures by chi squared at 1e-6, heights with the sum of their slopes."""
    _, _, profile = true_mirror(2, 0.4, 5, noise=5e-9, step=2e-3)
    fit = fit_ellipse(profile, invented_mirror(segments=2, length=0.4), segments="free")
    possible = Possible.of(fit, measured_surface(fit))
    drawn = possible.drawn(4000)
    assert drawn.state.shape[1] == 4000
    scale = np.sqrt(np.diag(possible.state_covariance))
    scale[scale == 0] = 1.0
    found = drawn.state @ drawn.state.T / 4000
    assert_allclose((found - possible.state_covariance) / np.outer(scale, scale), 0.0, atol=1e-7)
    low, high = (float(chi2.ppf(share, 2000)) / 2000 for share in (5e-7, 1 - 5e-7))
    for figure, known in zip(drawn.figures, possible.figures, strict=True):
        assert figure is not None
        assert known is not None
        stated = np.diag(known.slope @ possible.covariance @ known.slope.T + known.hidden)
        ratio = np.mean(figure.slope**2, axis=1) / stated
        assert low < ratio.min()
        assert ratio.max() < high
        assert_allclose(figure.slope[:, :2000], -figure.slope[:, 2000:], rtol=1e-12)
        rises = np.diff(figure.knots)[:, None] * (figure.slope[1:] + figure.slope[:-1]) / 2
        # the model's own heights beside its slopes: the trapezoid's error on knots of a sixth of the length
        assert_allclose(np.diff(figure.height, axis=0), rises, rtol=0, atol=0.05 * float(np.abs(rises).max()))


def test_mean_slopes_over_stretches_are_differences_of_heights() -> None:
    """A slope that swings once in four knots is gone from the mean over four, and whole at a place.

    But for what is added so that any covariance has a root: 1e-9 of the variance, 3e-5 of the slope.
    """
    knots = np.linspace(-0.1, 0.1, 81)
    wave = np.cos(2 * np.pi * np.arange(81) / 4)
    none = np.zeros((81, 1))
    figure = OpenFigure(knots=knots, height=none, slope=none, hidden=np.outer(wave, wave))
    drawn = figure.drawn(np.ones((1, 2)), np.random.default_rng(1))
    size = drawn.slope[0, 0]
    step = knots[1] - knots[0]
    middles = knots[20:60]
    whole, hidden = drawn.slopes_over(middles, np.full(40, 4 * step))
    assert_allclose(whole, 0.0, atol=2e-4 * abs(size))
    assert_allclose(hidden, whole, atol=1e-9 * abs(size))
    narrow, _ = drawn.slopes_over(middles, np.full(40, 1e-3 * step))
    assert_allclose(narrow[:, 0], size * wave[20:60], atol=2e-3 * abs(size))


def test_what_noise_hides_blurs_the_value_or_moves_the_draws() -> None:
    """Mean square of the width over draws of hidden slopes alone is that of the blurred value, to their scatter."""
    mirror, _, profile = true_mirror(2, 0.6, 6, noise=20e-9, step=2e-3)
    fit = fit_ellipse(profile, mirror, segments="free")
    surface = measured_surface(fit)
    model = Model.of(surface, x_rays(), bench(x_rays(), mirror.nominal, None))
    possible = Possible.of(fit, surface)
    hidden = replace(possible, covariance=0 * possible.covariance)
    draws = model.laid(hidden.drawn(2000))
    moved = model.moved(draws, model.landing(frozenset(model.factors)))
    assert np.median(moved.smear) < 0.5 * np.median(model.smear)
    centre, rms = model.spread(moved.shift, smear=moved.smear)
    value = float(model.spread()[1][0])
    both = rms**2 + (centre - float(model.spread()[0][0])) ** 2
    squares = (both[:1000] + both[1000:]) / 2  # of pairs of opposite sign, without odd orders
    error = squares.std() / np.sqrt(1000)
    assert abs(squares.mean() - value**2) < 4 * error
    sharp = float(model.spread(smear=np.full((len(model.x), 1), 1e-12))[1][0])
    assert value**2 - sharp**2 > 20 * error  # so that the blur counts


@pytest.mark.parametrize("count", [14, pytest.param(140, marks=pytest.mark.campaign)])
def test_errors_of_the_light_are_as_large_as_stated(count: int) -> None:
    """Mirrors with a figure, of one segment and of three, against the true ones: mean squares by chi squared.

    Widths, places of centroid and best focus; at a chance of 1e-4 on each side and widened by a third for uncertainties
    that are themselves estimated. Without the figure's part in the draws the uncertainty of the best focus is several
    times too large here, and that of its width a hundred times too small.
    """
    ratios: dict[str, list[float]] = {}
    for seed in range(count):
        mirror, surface, profile = true_mirror(1 + 2 * (seed % 2), 0.5, seed, noise=5e-9, step=1e-3)
        beam = x_rays(source=Distribution(width=1e-6))
        found = trace_focus(fit_ellipse(profile, mirror), mirror, beam, rays=20_000)
        true = trace_surface(surface, mirror, beam, rays=20_000)
        assert found.spot_stderr is not None
        assert found.best_focus_stderr is not None
        for name in ("rms", "centroid_across"):
            error = getattr(found.spot, name) - getattr(true.spot, name)
            ratios.setdefault(name, []).append(error / getattr(found.spot_stderr, name))
        for name in ("along", "across", "rms"):
            error = getattr(found.best_focus, name) - getattr(true.best_focus, name)
            ratios.setdefault(f"best {name}", []).append(error / getattr(found.best_focus_stderr, name))
    low, high = (float(chi2.ppf(share, count)) / count for share in (1e-4, 1 - 1e-4))
    for name, values in ratios.items():
        assert low / 1.33 < np.mean(np.square(values)) < high * 1.33, name


def test_mirrors_drawn_with_their_figures_and_traced_anew_scatter_as_is_stated() -> None:
    """60 mirrors of the same posterior, drawn with another seed, each with its figure, traced: by chi squared.

    A width at half maximum is no smooth function of the mirror, so that draws tell its spread to a fifth.
    """
    mirror, _, profile = true_mirror(3, 0.9, 11, noise=10e-9, step=2e-3)
    fit = fit_ellipse(profile, mirror)
    spot = spot_in(measured_surface(fit), x_rays(), rays=20_000)
    beam = x_rays(
        source=Distribution(width=1e-6), aperture=spot.rms, aperture_offset=spot.centroid_across + 0.5 * spot.rms
    )
    result = trace_focus(fit, mirror, beam, rays=20_000)
    drawn = Possible.of(fit, result.surface).drawn(60, 7)
    found = [trace_surface(one, mirror, beam, rays=20_000) for one in changed(result.surface, drawn)]
    assert result.spot_stderr is not None
    assert result.best_focus_stderr is not None
    assert result.throughput_stderr is not None
    assert result.throughput_stderr > 1e-3
    free = 59
    low, high = (float(chi2.ppf(share, free)) / free for share in (5e-5, 1 - 5e-5))
    stated = {
        "rms": (result.spot_stderr.rms, [one.spot.rms for one in found]),
        "fwhm": (result.spot_stderr.fwhm, [one.spot.fwhm for one in found]),
        "width_50": (result.spot_stderr.width_50, [one.spot.width_50 for one in found]),
        "width_90": (result.spot_stderr.width_90, [one.spot.width_90 for one in found]),
        "centroid": (result.spot_stderr.centroid_across, [one.spot.centroid_across for one in found]),
        "best along": (result.best_focus_stderr.along, [one.best_focus.along for one in found]),
        "best rms": (result.best_focus_stderr.rms, [one.best_focus.rms for one in found]),
        "throughput": (result.throughput_stderr, [one.throughput for one in found]),
    }
    for name, (size, values) in stated.items():
        ratio = np.var(values) / size**2
        assert low / 1.2 < ratio < high * 1.2, name


def changed(surface: Surface, drawn: Drawn) -> list[Surface]:
    """Each of the drawn mirrors as a surface, on which nothing is unresolved."""
    found = []
    k, ellipse = len(surface.pieces), surface.ellipse
    for number, state in enumerate(drawn.state.T):
        pieces = []
        for place, (piece, change) in enumerate(zip(surface.pieces, drawn.figures, strict=True)):
            assert piece.figure is not None
            assert change is not None
            figure = FigureError(
                x=piece.figure.x,
                height=piece.figure.height + change.height[:, number],
                slope=piece.figure.slope + change.slope[:, number],
                unresolved=0 * piece.figure.x,
            )
            height, tilt = piece.height + float(state[place]), piece.tilt + float(state[k + place])
            pieces.append(replace(piece, figure=figure, height=height, tilt=tilt))
        p, q, theta = (float(value) for value in state[2 * k + 2 :])
        found.append(
            replace(
                surface,
                pieces=tuple(pieces),
                pose_height=surface.pose_height + float(state[2 * k]),
                pose_tilt=surface.pose_tilt + float(state[2 * k + 1]),
                ellipse=replace(ellipse, p=ellipse.p + p, q=ellipse.q + q, theta=ellipse.theta + theta),
            )
        )
    return found


def test_strehl_ratios_count_the_figure() -> None:
    """A figure of 1 nm on a short mirror: mirrors drawn with another seed, each summed anew, by chi squared."""
    mirror = invented_mirror(segments=1, length=0.1)
    surface, beam = figured(mirror), x_rays()
    possible = Possible(
        covariance=np.eye(1),
        state=np.zeros((7, 1)),
        figures=(open_figure(surface),),
    )
    layout = bench(beam, surface.nominal, None)
    line = line_spread(surface, beam, layout, centre=0.0, width=1e-6, drawn=possible.drawn(160))
    assert line is not None
    assert line.stderr is not None
    again = [line_spread(one, beam, layout, centre=0.0, width=1e-6) for one in changed(surface, possible.drawn(80, 3))]
    low, high = (float(chi2.ppf(share, 39)) / 39 for share in (5e-5, 1 - 5e-5))
    for name in ("strehl", "marechal", "phase_rms"):
        found = np.var([getattr(one, name) for one in again])
        assert low < found / getattr(line.stderr, name) ** 2 < high, name
    assert 0.2 < line.strehl < 0.99


def figured(mirror: Mirror) -> Surface:
    """One segment with a smooth figure."""
    item, (x, z, m) = mirror.segments[0], smooth(mirror.segments[0].length, np.random.default_rng(2))
    figure = FigureError(x=item.start + x, height=1e-9 * z, slope=1e-9 * m, unresolved=0 * x)
    piece = Piece(name=item.name, start=item.start, end=item.end, figure=figure)
    return Surface(nominal=mirror.nominal, ellipse=mirror.nominal, pieces=(piece,))


def open_figure(surface: Surface) -> OpenFigure:
    """What is open of that figure: slopes of some 10 nrad that are alike over 20 mm."""
    figure = surface.pieces[0].figure
    assert figure is not None
    distance = figure.x[:, None] - figure.x
    none = np.zeros((len(figure.x), 1))
    return OpenFigure(
        knots=figure.x, height=none, slope=none, hidden=(2e-8) ** 2 * np.exp(-(distance**2) / (2 * 0.02**2))
    )
