"""Reflectivity, loss tree, what-ifs and the analytic model: they sum up, agree with rays and state their doubt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import periodictable
import pytest
from numpy.testing import assert_allclose

from ellipsefit.ellipse import Ellipse
from ellipsefit.errors import DataError, ParameterError
from ellipsefit.fit import fit_ellipse
from ellipsefit.focus import Beam, Coating, Distribution, Piece, Surface, spot_in, trace_focus, trace_surface
from ellipsefit.focus.geometry import bench
from ellipsefit.focus.losses import loss_tree
from ellipsefit.focus.model import Model
from ellipsefit.focus.possible import state_covariance
from ellipsefit.focus.reflectivity import critical_q, supermirror
from ellipsefit.focus.solid import rolls_of
from ellipsefit.focus.surface import measured_surface
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile
from ellipsefit.simulate import HiddenState, hidden_state, invented_mirror, simulate_profile
from tests.focus_cases import ANGSTROM, mirror_of, neutrons, rays_of, surface_of, x_rays

PER_ANGSTROM = 1e10


def misaligned(seed: int = 3, **more: float) -> Surface:
    rng = np.random.default_rng(seed)
    return surface_of(heights=rng.normal(0, 5e-6, 18), tilts=rng.normal(0, 10e-6, 18), **more)  # type: ignore[arg-type]  # fields by their names


def true_surface(mirror: Mirror, state: HiddenState) -> Surface:
    """The invented mirror as it stands, without figure."""
    pieces = tuple(
        Piece(name=item.name, start=item.start, end=item.end, height=height, tilt=tilt, coating_m=item.coating_m)
        for item, height, tilt in zip(mirror.segments, state.segment_height, state.segment_tilt, strict=True)
    )
    return Surface(
        nominal=mirror.nominal, ellipse=state.ellipse, pieces=pieces, pose_height=state.height, pose_tilt=state.tilt
    )


def test_nickel_reflects_up_to_the_tabulated_critical_angle() -> None:
    """periodictable's scattering length density; theta_c = lambda sqrt(rho/pi): 1.7305 mrad/angstrom, 0.02175/angstrom.

    The trade's 0.0217/angstrom for m = 1 lies 0.2 % below.
    """
    density = periodictable.neutron_sld("Ni")[0] * 1e-6 * PER_ANGSTROM**2
    found = critical_q(density)
    assert_allclose(found / PER_ANGSTROM, 0.021745938333336757, rtol=1e-6)
    theta = np.arcsin(found * ANGSTROM / (4 * np.pi))
    assert_allclose(theta, 1.7304867889610387e-3, rtol=1e-6)
    assert_allclose(Coating().critical_q, found, rtol=5e-3)


def test_a_supermirror_follows_the_empirical_formula() -> None:
    """Total reflection below Q_c; half of the plateau at m Q_c, by tanh(0); next to nothing three W further."""
    coating = Coating(reflectivity=0.99, slope=5e-10, width=0.003e10)
    edge = coating.critical_q
    q = np.array([0.5, 1.0, 3.0, 3.0 + 3 * coating.width / edge]) * edge
    plateau = 0.99 * (1 - coating.slope * (q - edge))
    expected = [0.99, 0.99, 0.5 * plateau[2], 0.5 * plateau[3] * (1 - np.tanh(3.0))]
    assert_allclose(supermirror(q, 3.0, coating), expected, rtol=1e-12)
    rough = replace(coating, roughness=5e-10)
    assert_allclose(supermirror(q, 3.0, rough), expected * np.exp(-((q * 5e-10) ** 2)), rtol=1e-12)
    assert_allclose(supermirror(q, np.nan, coating), 1.0)


@pytest.mark.parametrize(("x", "wave"), [(-4.5, 2.1850688543953), (0.0, 2.3163260873062), (4.5, 2.8218835192076)])
def test_the_local_grazing_angle_sets_the_cut_off(x: float, wave: float) -> None:
    """4 pi sin(theta(x)) / (3 * 0.0217/angstrom) for p 20, q 10, 12 mrad, recomputed with 50 digits from the angles."""
    ellipse = Ellipse(20.0, 10.0, 12e-3)
    beam = neutrons(wave, wave, coating=Coating(m=3.0), gravity=False)
    surface = surface_of(ellipse, count=1, length=9.0, gap=0.0, coating_m=3.0)
    cells, rays = rays_of(surface, beam, cells=90_000)
    q = 3.0 * beam.coating.critical_q
    half = 0.5 * beam.coating.reflectivity * (1 - beam.coating.slope * (q - beam.coating.critical_q))
    found = np.interp(x, cells.x, (rays.weight / rays.struck)[:, 0])
    # half a cell (50 um) from the end Q differs by 1e-5 of itself, 1e-4 of the edge's width
    assert_allclose(found, half, rtol=1e-3)


@pytest.mark.parametrize("kind", ["x-ray", "neutron"])
def test_shares_sum_to_the_whole_loss(kind: str) -> None:
    """Shapley's efficiency axiom, and the loss that rays find."""
    surface = misaligned(pose_height=5e-5, pose_tilt=5e-6)
    beam: Beam = x_rays(aperture=3e-4, source=Distribution(width=2e-4))
    if kind == "neutron":
        beam = neutrons(3, 6, aperture=1e-3, source=Distribution(width=5e-4), coating=Coating(m=3.5))
    result = trace_surface(surface, mirror_of(surface, deflection="up"), beam)
    assert_allclose(sum(loss.share for loss in result.losses), 1 - result.throughput, atol=1e-12)
    names = [loss.name for loss in result.losses]
    assert names[0] == "geometry"
    assert ("reflectivity" in names) == ("gravity" in names) == (kind == "neutron")


def test_two_errors_share_by_shapleys_formula() -> None:
    """With two factors each has the mean of its loss alone and its loss on top of the other (Shapley 1953)."""
    surface = misaligned()
    beam = x_rays(aperture=2e-4)
    model = Model.of(surface, beam, bench(beam, surface.nominal, None))
    assert set(model.factors) == {"segment misalignment", "gaps"}
    value = {
        names: float(model.throughput(frozenset(names))[0])
        for names in ((), ("gaps",), ("segment misalignment",), ("gaps", "segment misalignment"))
    }
    shares = {loss.name: loss.share for loss in loss_tree(model).shares}
    both = value["gaps", "segment misalignment"]
    assert_allclose(
        shares["gaps"], (value[()] - value[("gaps",)] + value[("segment misalignment",)] - both) / 2, atol=1e-12
    )
    assert_allclose(shares["geometry"], 1 - value[()], atol=1e-12)


def test_shares_of_single_errors_are_what_they_cost_alone() -> None:
    """Gaps of 5 mm in 500 mm cost the angle that they subtend, by the rays' own balance, on a perfect mirror."""
    surface = surface_of()
    result = trace_surface(surface, mirror_of(surface), x_rays(aperture=1e-3))
    assert [loss.name for loss in result.losses] == ["geometry", "gaps"]
    assert_allclose(result.losses[1].share, result.balance.gaps, atol=1e-6)
    assert_allclose(result.losses[0].share, 0.0, atol=1e-9)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("size", [0.0, 3e-4])
def test_rays_and_analytic_model_agree(seed: int, size: float) -> None:
    """Throughput within 0.5 % absolute, width within 1 %: what the program promises before it says otherwise."""
    surface = misaligned(seed, pose_height=1e-4, pose_tilt=1e-5)
    beam = x_rays(aperture=4e-4, source=Distribution(width=size), aperture_offset=1e-4)
    result = trace_surface(surface, mirror_of(surface), beam)
    assert_allclose(result.analytic.throughput, result.throughput, atol=5e-3)
    assert_allclose(result.analytic.rms, result.spot.rms, rtol=0.01)
    assert result.analytic.agrees


def test_where_light_lands_follows_every_freedom() -> None:
    """Derivatives against central differences of the exact rays, for p, q, theta, carrier and each segment."""
    surface = misaligned(pose_height=1e-4, pose_tilt=1e-5)
    beam = x_rays(plane=0.05)
    layout = bench(beam, surface.nominal, None)
    model = Model.of(surface, beam, layout)
    everything = frozenset(model.factors)
    response = model.response(model.landing(everything))
    labels = model.freedoms.labels

    def moved(label: str, step: float) -> Surface:
        if label in ("p", "q", "theta"):
            return replace(surface, ellipse=replace(surface.ellipse, **{label: getattr(surface.ellipse, label) + step}))
        if label.startswith("carrier"):
            return surface.moved(step, 0.0) if "height" in label else surface.moved(0.0, step)
        name, kind = label.split()
        pieces = tuple(
            replace(piece, **{kind: getattr(piece, kind) + step}) if piece.name == name else piece
            for piece in surface.pieces
        )
        return replace(surface, pieces=pieces)

    steps = {"height": 1e-6, "tilt": 1e-7, "p": 1e-3, "q": 1e-3, "theta": 1e-6}
    for label in (
        "p",
        "q",
        "theta",
        "carrier height",
        "carrier tilt",
        "S01 height",
        "S07 tilt",
        "S18 tilt",
        "S18 height",
    ):
        step = steps[label.split()[-1]]
        ends = []
        for side in (-1, 1):
            changed = Model.of(moved(label, side * step), beam, layout)
            ends.append(changed.landing(frozenset(changed.factors)).across[:, 0])
        difference = (ends[1] - ends[0]) / (2 * step)
        column = response[:, labels.index(label)]
        # third derivatives times step**2, and rounding of 1e-16 m over the step
        assert_allclose(column, difference, rtol=1e-6, atol=1e-6 * np.abs(column).max() + 1e-15 / step)


def test_a_tilted_segment_shifts_its_light_by_twice_the_lever() -> None:
    """Image shift 2 d delta, law of reflection; rays to the chief ray at up to 1.6 mrad: 1e-5."""
    surface = surface_of()
    beam = x_rays()
    model = Model.of(surface, beam, bench(beam, surface.nominal, None))
    response = model.response(model.landing(frozenset()))
    image = surface.nominal.foci[1]
    distance = np.hypot(image[0] - model.x, image[1] - surface.nominal.height(model.x))
    mine = model.piece == 4
    assert_allclose(response[mine, 18 + 4], 2 * distance[mine], rtol=2e-3)


def test_what_could_be_done_is_what_rays_find_when_it_is_done() -> None:
    """Each choice traced exactly: throughput within 0.5 %, width within 1 %; the carrier's move makes nothing worse."""
    surface = misaligned(pose_height=2e-4, pose_tilt=4e-5)
    mirror, beam = mirror_of(surface), x_rays(aperture=4e-4, source=Distribution(width=1e-4))
    result = trace_surface(surface, mirror, beam)
    done = {}
    for choice in result.choices:
        base = surface.realigned() if choice.name in ("realign the segments", "both") else surface
        after = trace_surface(base.moved(choice.carrier_height, choice.carrier_tilt), mirror, beam)
        assert_allclose(choice.throughput, after.throughput, atol=5e-3)
        assert_allclose(choice.rms, after.spot.rms, rtol=0.01, atol=2e-6)
        done[choice.name] = choice.throughput
    assert done["move the carrier"] >= done["nothing"]
    assert done["both"] >= done["realign the segments"]
    assert done["both"] > 0.98


def test_the_fit_tells_the_true_spot_within_its_uncertainty() -> None:
    """Twelve simulated mirrors, measured and fitted: errors over stated uncertainties, against the true surface.

    Of 24 normal variables none exceeds 4 standard deviations, and their mean square lies in the 99.9 % range of chi
    squared, 0.29 to 2.36 for 24 degrees of freedom, widened by a third for the spread of estimated uncertainties. The
    same of the best focus, for 12: 0.16 to 2.90.
    """
    mirror = invented_mirror(segments=10, length=5.0)
    ratios, best = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        state = hidden_state(mirror, rng, spread_tilt=10e-6)
        profile = simulate_profile(mirror, state, rng, figure=0.0, step=4e-3)
        fit = fit_ellipse(profile, mirror)
        there = spot_in(true_surface(mirror, state), x_rays(), rays=20_000)
        beam = x_rays(aperture=there.rms, source=Distribution(width=1.5e-4), aperture_offset=there.centroid_across)
        found = trace_focus(fit, mirror, beam)
        true = trace_surface(true_surface(mirror, state), mirror, beam)
        assert found.throughput_stderr is not None
        assert found.spot_stderr is not None
        ratios.append((found.throughput - true.throughput) / found.throughput_stderr)
        ratios.append((found.spot.centroid_across - true.spot.centroid_across) / found.spot_stderr.centroid_across)
        assert found.best_focus_stderr is not None
        best.append((found.best_focus.along - true.best_focus.along) / found.best_focus_stderr[0])
    assert np.abs([*ratios, *best]).max() < 4
    assert 0.29 / 1.33 < np.mean(np.square(ratios)) < 2.36 * 1.33
    assert 0.16 / 1.33 < np.mean(np.square(best)) < 2.90 * 1.33


def test_noise_of_the_measurement_does_not_blur_the_spot() -> None:
    """60 nm at 2 mm steps are 20 urad of slope from point to point; the true spot of a perfect mirror has none."""
    mirror = invented_mirror(segments=6, length=3.0)
    state = HiddenState(
        ellipse=mirror.nominal, height=0.0, tilt=0.0, segment_height=(0.0,) * 6, segment_tilt=(0.0,) * 6
    )
    profile = simulate_profile(mirror, state, np.random.default_rng(1), figure=0.0)
    result = trace_focus(fit_ellipse(profile, mirror), mirror, x_rays())
    # 20 urad would be 250 um; what the fit does not know of 250 points a segment is below a micrometre or so
    assert result.spot.rms < 10e-6


@pytest.mark.parametrize("segments", ["free", "fixed", "random"])
@pytest.mark.parametrize("residual", ["white", "correlated"])
def test_the_surface_is_the_measured_one_whatever_the_fit_models(segments: str, residual: str) -> None:
    """Misaligned segments blur alike whether the fit calls it tilt or residual: within 1 % of the true surface.

    Fixed and white the ellipse bends after the segments, and its curvature within each stays in: 3 %.
    """
    mirror = invented_mirror(segments=6, length=3.0)
    rng = np.random.default_rng(2)
    state = hidden_state(mirror, rng)
    profile = simulate_profile(mirror, state, rng, step=4e-3, figure=20e-9)
    fit = fit_ellipse(profile, mirror, segments=segments, residual=residual)  # type: ignore[arg-type]  # one of the words that it takes
    true = spot_in(true_surface(mirror, state), x_rays())
    bent = (segments, residual) == ("fixed", "white")
    assert_allclose(trace_focus(fit, mirror, x_rays()).spot.rms, true.rms, rtol=0.03 if bent else 0.01)


def test_figure_is_resolved_where_the_data_tell_it() -> None:
    """Slopes of the posterior mean against the true ones of a dense profile: closer than what is stated as open."""
    mirror = invented_mirror(segments=6, length=3.0)
    rng = np.random.default_rng(6)
    x = np.concatenate([np.arange(item.start + 1e-3, item.end, 1e-3) for item in mirror.segments])
    k = 2 * np.pi / 0.15
    truth = 300e-9 * np.sin(k * x)
    noise = 30e-9
    profile = Profile(
        name="wavy",
        quantity="height",
        x=x,
        values=mirror.nominal.height(x) + truth + rng.normal(0, noise, len(x)),
        sigma=np.full(len(x), noise),
        frame="mirror",
    )
    fit = fit_ellipse(profile, mirror)
    surface = measured_surface(fit)
    error, size = [], []
    for number, piece in enumerate(surface.pieces):
        inside = np.linspace(piece.start + 0.02, piece.end - 0.02, 200)
        found = surface.curve(number, inside).slope
        error.append(found - mirror.nominal.slope(inside) - 300e-9 * k * np.cos(k * inside))
        size.append(surface.unresolved(number, inside))
    assert 300e-9 * k / np.sqrt(2) > 8e-6
    # lines that the segments' heights and tilts take up are known to a tenth of that
    assert np.std(np.concatenate(error)) < 2 * np.sqrt(np.mean(np.concatenate(size) ** 2)) + 0.3e-6


def test_a_profile_that_covers_too_little_says_what_is_missing() -> None:
    """A segment measured to 60 %: a warning with its name and the part missing; the answer still comes."""
    mirror = invented_mirror(segments=6, length=3.0)
    state = hidden_state(mirror, np.random.default_rng(1))
    profile = simulate_profile(mirror, state, np.random.default_rng(2), step=4e-3)
    third = mirror.segments[2]
    kept = ~((profile.x > third.start + 0.6 * third.length) & (profile.x < third.end))
    assert profile.sigma is not None
    cut = Profile(
        name="cut",
        quantity="height",
        x=profile.x[kept],
        values=profile.values[kept],
        sigma=profile.sigma[kept],
        frame="mirror",
    )
    result = trace_focus(fit_ellipse(cut, mirror), mirror, x_rays(aperture=5e-3))
    said = [text for text in result.warnings if text.startswith("segment S03")]
    assert len(said) == 1
    assert "missing" in said[0]
    assert "60 %" in said[0] or "59" in said[0]
    assert not [text for text in result.warnings if text.startswith("segment S02")]


def test_slopes_say_that_they_tell_no_heights() -> None:
    """Measured slopes give the same spot as heights of the same mirror within 1 %, and say what they leave open."""
    mirror = invented_mirror(segments=6, length=3.0)
    state = hidden_state(mirror, np.random.default_rng(2), height=0.0, spread_height=0.0)
    profile = simulate_profile(
        mirror, state, np.random.default_rng(3), step=4e-3, quantity="slope", noise=0.1e-6, figure=0.3e-6
    )
    result = trace_focus(fit_ellipse(profile, mirror), mirror, x_rays())
    assert_allclose(result.spot.rms, spot_in(true_surface(mirror, state), x_rays()).rms, rtol=0.01)
    assert any(text.startswith("slopes tell no heights") for text in result.warnings)


def test_lines_beside_each_other_tell_roll_and_twist() -> None:
    """Three lines over segments with known roll and twist: found within four stated uncertainties."""
    mirror = invented_mirror(segments=4, length=2.0)
    rng = np.random.default_rng(8)
    roll, twist = rng.normal(0, 50e-6, 4), rng.normal(0, 50e-6, 4)
    x, y, z = [], [], []
    for index, item in enumerate(mirror.segments):
        line = np.arange(item.start + 4e-3, item.end - 3e-3, 4e-3)
        for across in (-0.02, 0.0, 0.02):
            x.append(line)
            y.append(np.full_like(line, across))
            z.append(mirror.nominal.height(line) + (roll[index] + twist[index] * (line - item.middle)) * across)
    place, heights = np.concatenate(x), np.concatenate(z)
    profile = Profile(
        name="lines",
        quantity="height",
        x=place,
        y=np.concatenate(y),
        values=heights + rng.normal(0, 60e-9, len(place)),
        sigma=np.full(len(place), 60e-9),
        frame="mirror",
    )
    fit = fit_ellipse(profile, mirror, residual="white")
    for found, true_roll, true_twist in zip(rolls_of(fit), roll, twist, strict=True):
        assert found is not None
        assert abs(found.roll - true_roll) < 4 * found.roll_stderr + 1e-9
        assert abs(found.twist - true_twist) < 4 * found.twist_stderr + 1e-9
    result = trace_focus(fit, mirror, x_rays(height=0.04))
    assert result.side is not None
    assert len(result.to_dict()["roll"]) == 4


def test_covariance_of_the_state_is_what_the_fit_states() -> None:
    """Standard uncertainties of p, q, theta, of the pose and of each segment, as the fit reports them."""
    mirror = invented_mirror(segments=8, length=4.0)
    mirror = replace(mirror, measurement=replace(mirror.measurement, x_uncertainty=0.0))
    rng = np.random.default_rng(4)
    fit = fit_ellipse(simulate_profile(mirror, hidden_state(mirror, rng), rng, step=4e-3), mirror)
    size = np.sqrt(np.diag(state_covariance(fit)))
    stated = [
        *(item.height_stderr for item in fit.segments),
        *(item.tilt_stderr for item in fit.segments),
        fit.pose.height_stderr,
        fit.pose.tilt_stderr,
        *(fit.stderr(name) for name in ("p", "q", "theta")),
    ]
    assert_allclose(size, [value or 0.0 for value in stated], rtol=1e-6)


def test_bad_beams_are_refused_in_one_sentence() -> None:
    """Wavelength, coating, aperture, source inside the mirror, plane upstream of it, a beam that misses."""
    wave = (ANGSTROM, ANGSTROM)
    for make, word in (
        (lambda: Beam(kind="x-ray", wavelength=(0.0, 0.0)), "wavelength"),
        (lambda: Beam(kind="x-ray", wavelength=(2 * ANGSTROM, ANGSTROM)), "wavelength"),
        (lambda: Beam(kind="x-ray", wavelength=(np.nan, np.nan)), "wavelength"),
        (lambda: Coating(m=0.0), "m must be above 0"),
        (lambda: Coating(m=-3.0), "m must be above 0"),
        (lambda: Beam(kind="x-ray", wavelength=wave, aperture=0.0), "aperture"),
        (lambda: Beam(kind="x-ray", wavelength=wave, required_throughput=1.5), "required_throughput"),
        (lambda: Beam(kind="muon", wavelength=wave), "kind"),  # type: ignore[arg-type]  # what is not allowed
        (lambda: Distribution(width=-1.0), "width"),
        (lambda: Distribution(places=(0.0, 1.0), weights=(0.0, 0.0)), "weights"),
    ):
        with pytest.raises(ParameterError, match=word):
            make()
    surface = surface_of()
    mirror = mirror_of(surface)
    with pytest.raises(ParameterError, match=r"^source_position: .*inside or behind the mirror"):
        trace_surface(surface, mirror, x_rays(source_along=12.0))
    with pytest.raises(ParameterError, match=r"^source_position: "):
        trace_surface(surface, mirror, x_rays(source_across=-0.3))
    with pytest.raises(ParameterError, match=r"^wavelength: .*falls out of the beam"):
        trace_surface(surface, mirror_of(surface, deflection="down"), neutrons(10, 2000))
    with pytest.raises(ParameterError, match=r"^plane: .*upstream of the mirror's end"):
        trace_surface(surface, mirror, x_rays(plane=-5.0))
    with pytest.raises(DataError, match="no light reaches the plane"):
        trace_surface(
            surface, mirror, x_rays(divergence=Distribution(width=1e-3, places=(0.1, 0.2), weights=(1.0, 1.0)))
        )
    with pytest.raises(ParameterError, match="rays must be at least 100"):
        trace_surface(surface, mirror, x_rays(), rays=3)


def test_a_result_shows_itself_and_its_doubts() -> None:
    """Text and HTML from the same rows; a missed throughput is in capitals; no coating and no deflection are said."""
    surface = misaligned()
    beam = neutrons(aperture=1e-4, required_throughput=0.9)
    result = trace_surface(surface, mirror_of(surface), beam)
    text = str(result)
    assert "NOT REACHED" in text
    assert not result.acceptable
    assert "no coating is stated" in text
    assert "gravity is left out" in text
    assert "<table>" in result._repr_html_()
    assert_allclose(result.to_dict()["throughput"]["value"], result.throughput)
