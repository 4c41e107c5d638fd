"""Rigid-body fit: closed forms, published data, other libraries, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation
from skimage.transform import EuclideanTransform

from ellipsefit.errors import DataError
from ellipsefit.place.pose import Pose, point_jacobian, rotation_matrix, rotation_vector
from ellipsefit.place.rigid import closed_pose, fit_rigid_body

Array = np.ndarray

#: Seven stations in two systems [m]. Source: E. W. Grafarend, J. L. Awange, J. Geodesy 77 (2003) 66-76.
STATIONS_A = np.array(
    [
        [4157222.543, 664789.307, 4774952.099],
        [4149043.336, 688836.443, 4778632.188],
        [4172803.511, 690340.078, 4758129.701],
        [4177148.376, 642997.635, 4760764.800],
        [4137012.190, 671808.029, 4791128.215],
        [4146292.729, 666952.887, 4783859.856],
        [4138759.902, 702670.738, 4785552.196],
    ]
)
STATIONS_B = np.array(
    [
        [4157870.237, 664818.678, 4775416.524],
        [4149691.049, 688865.785, 4779096.588],
        [4173451.354, 690369.375, 4758594.075],
        [4177796.064, 643026.700, 4761228.899],
        [4137659.549, 671837.337, 4791592.531],
        [4146940.228, 666982.151, 4784324.099],
        [4139407.506, 702700.227, 4786016.645],
    ]
)
BOX = np.array([[x, y, z] for x in (-5.0, 5.0) for y in (-0.5, 0.5) for z in (-0.3, 0.3)])


def test_published_seven_parameter_transformation_is_found() -> None:
    """Scale and rotation vector as Grafarend & Awange (2003) print them; digits beyond by 50-digit recomputation.

    The data end at 1 mm on 4e6 m, so double precision holds the rotation to some 1e-12 rad after centring.
    """
    fit = fit_rigid_body(STATIONS_A, STATIONS_B, np.eye(21), fit_scale=True)
    assert_allclose(fit.scale, 1.000005582519854, rtol=1e-12)
    expected = [4.840863760992130e-6, -4.332747692303248e-6, -4.814635669371455e-6]
    assert_allclose(fit.pose.rotation, expected, rtol=0, atol=1e-11)
    assert_allclose(fit.residual[0], [0.0939891, 0.13511, 0.140223], rtol=0, atol=1e-6)
    assert_allclose(fit.chi_square, 0.083510537429035, rtol=1e-6)  # RSS, weights are one
    assert_allclose(fit.pose.translation, [641.8804, 68.6553, 416.3982], rtol=0, atol=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_equal_weights_agree_with_two_other_libraries(seed: int) -> None:
    """Oracles: scipy Rotation.align_vectors (Kabsch) and skimage EuclideanTransform (Umeyama)."""
    rng = np.random.default_rng(seed)
    body = rng.normal(size=(9, 3)) * [4.0, 0.7, 0.4]
    pose = Pose(rng.normal(size=3), rng.normal(size=3))
    measured = pose.apply(body) + rng.normal(0, 1e-4, body.shape)
    fit = fit_rigid_body(body, measured, np.eye(27) * 1e-8)
    other, _ = Rotation.align_vectors(measured - measured.mean(axis=0), body - body.mean(axis=0))
    # rounding of coordinates of 1 m over lever arms of 0.4 m
    assert_allclose(fit.pose.matrix, other.as_matrix(), rtol=0, atol=1e-13)
    third = EuclideanTransform.from_estimate(body, measured)
    assert_allclose(fit.pose.matrix, third.params[:3, :3], rtol=0, atol=1e-12)
    assert_allclose(fit.pose.translation, third.params[:3, 3], rtol=0, atol=1e-12)
    # Arun's and Horn's identity: the centroid goes to the centroid
    assert_allclose(fit.pose.apply(body.mean(axis=0)), measured.mean(axis=0), rtol=0, atol=1e-13)


@pytest.mark.parametrize("seed", range(4))
def test_rotation_vectors_agree_with_scipy_at_every_angle(seed: int) -> None:
    """Oracle: scipy Rotation; down to 1e-12 rad and up to half a turn."""
    rng = np.random.default_rng(seed)
    for size in (1e-12, 1e-6, 1e-4, 0.3, 2.0, 3.1, np.pi - 1e-9):
        vector = rng.normal(size=3)
        vector *= size / np.linalg.norm(vector)
        matrix = rotation_matrix(vector)
        assert_allclose(matrix, Rotation.from_rotvec(vector).as_matrix(), rtol=0, atol=2e-15)
        assert_allclose(rotation_vector(matrix), vector, rtol=0, atol=max(2e-15, 4e-16 * size))


def test_a_pose_and_its_inverse_and_twists_close() -> None:
    rng = np.random.default_rng(3)
    one, other = (Pose(rng.normal(size=3), rng.normal(size=3)) for _ in range(2))
    points = rng.normal(size=(4, 3))
    assert_allclose((one @ other).apply(points), one.apply(other.apply(points)), rtol=0, atol=1e-14)
    assert_allclose(one.inverse().apply(one.apply(points)), points, rtol=0, atol=1e-14)
    back = one.moved(one.twist_to(other))
    assert_allclose(back.matrix, other.matrix, rtol=0, atol=1e-14)
    # a small twist moves points as its Jacobian says; the rest is of second order, 1e-12
    twist = rng.normal(size=6) * 1e-6
    moved = (one.moved(twist).apply(points) - one.apply(points)).ravel()
    assert_allclose(moved, point_jacobian(one.apply(points) - one.translation) @ twist, rtol=0, atol=1e-11)


def test_eight_outrigger_targets_give_the_known_uncertainties() -> None:
    """30 um on (+-5, +-0.5, +-0.3) m: 10.6 um, 18 urad, 2.1 urad. Closed form: sigma/sqrt(N), sigma/sqrt(sum r^2)."""
    sigma = 30e-6
    fit = fit_rigid_body(BOX, BOX, np.eye(24) * sigma**2)
    found = np.sqrt(np.diag(fit.covariance))
    squares = np.sum(BOX**2, axis=0)
    expected = sigma / np.sqrt([8, 8, 8, *(squares.sum() - squares)])
    assert_allclose(found, expected, rtol=1e-10)
    assert_allclose(found, [10.6e-6] * 3 + [18e-6, 2.1e-6, 2.1e-6], rtol=0.05)


def test_covariance_is_that_of_the_closed_form_at_a_distant_point() -> None:
    """Sibson (1979), Fitzpatrick et al. (1998), recomputed: eight targets, 20 um, the point (12, 0, -0.1) m."""
    sigma = 20e-6
    body = np.array([[a, b, c] for a, c in ((4.4, 0.2), (-4.4, 0.2), (1.5, 0.5), (-1.5, 0.5)) for b in (0.3, -0.3)])
    fit = fit_rigid_body(body, body, np.eye(24) * sigma**2)
    assert_allclose(
        np.sqrt(np.diag(fit.covariance))[3:],
        np.array([21.081851067789, 2.148923256283, 2.142256083889]) * 1e-6,
        rtol=1e-10,
    )
    # the published point is given from the centroid's x, y and the mean height of the targets
    lever = point_jacobian(np.array([12.0, 0.0, -0.1]))
    found = np.sqrt(np.diag(lever @ fit.covariance @ lever.T))
    assert_allclose(found, np.array([7.136884397983648, 28.299356928559103, 26.738987401186716]) * 1e-6, rtol=1e-10)


def test_full_covariance_is_used_and_known() -> None:
    """Oracle: brute simulation with correlated, unequal noise; 1000 draws know a standard deviation to 2.2 %."""
    rng = np.random.default_rng(8)
    body = BOX + rng.normal(0, 0.1, BOX.shape)
    root = rng.normal(size=(24, 24)) * 10e-6 + np.diag(rng.uniform(10e-6, 60e-6, 24))
    covariance = root @ root.T
    pose = Pose(np.array([30.0, 1.0, -2.0]), np.array([0.1, -0.2, 0.3]))
    draws = 1000
    found = np.array(
        [
            pose.twist_to(
                fit_rigid_body(body, pose.apply(body) + (root @ rng.normal(size=24)).reshape(-1, 3), covariance).pose
            )
            for _ in range(draws)
        ]
    )
    stated = fit_rigid_body(body, pose.apply(body), covariance).covariance
    normalised = found @ np.linalg.inv(np.linalg.cholesky(stated)).T
    # covariance of the whitened errors is the identity within 4 standard deviations of a sample covariance
    sample = normalised.T @ normalised / draws
    assert_allclose(sample, np.eye(6), rtol=0, atol=4 * np.sqrt(2 / draws))


def test_a_mirror_image_is_never_a_rotation() -> None:
    """Kabsch's sign: determinant +1 and RSS = 4 x the smallest singular value of the cross-covariance."""
    body = np.array([[0.0, 0, 0], [3, 0, 0], [0, 2, 0], [0, 0, 1]])
    pose, mirrored = closed_pose(body, body * [-1, 1, 1])
    assert mirrored
    assert_allclose(np.linalg.det(pose.matrix), 1.0, rtol=1e-14)
    rest = float(np.sum((body * [-1, 1, 1] - pose.apply(body)) ** 2))
    assert_allclose(rest, 1.8025875979720, rtol=1e-12)


@pytest.mark.parametrize(
    ("body", "message"),
    [
        (np.zeros((2, 3)), "2 targets can't fix a pose"),
        (np.array([[0.0, 0, 0]]), "1 target can't fix a pose"),
        (np.array([[0.0, 0, 0], [1, 0, 0], [4, 0, 0]]), "lie in one line"),
        (np.array([[0.0, 0, 0], [1, 1e-5, 0], [4, 0, 0]]), "lie in one line"),
    ],
)
def test_points_that_fix_no_pose_are_refused(body: Array, message: str) -> None:
    with pytest.raises(DataError, match=message):
        fit_rigid_body(body, body, np.eye(3 * len(body)) * (30e-6) ** 2)


def test_scale_is_found_with_its_uncertainty() -> None:
    """A carrier of steel, 12e-6/K (EN 1993-1-1), 5 K warmer: 60e-6; uncertainty sigma / sqrt(sum r^2)."""
    sigma = 30e-6
    fit = fit_rigid_body(BOX, BOX * (1 + 60e-6), np.eye(24) * sigma**2, fit_scale=True)
    assert_allclose(fit.scale - 1, 60e-6, rtol=1e-9)
    assert fit.scale_stderr is not None
    assert_allclose(fit.scale_stderr, sigma / np.sqrt(np.sum(BOX**2)), rtol=1e-4)
