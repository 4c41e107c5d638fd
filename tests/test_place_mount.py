"""Kinematic mount: exact both ways, published layouts, forces, order of moves and calibration."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from ellipsefit.errors import DataError, ParameterError
from ellipsefit.halls import invented_mount
from ellipsefit.place.calibration import RecordedMove, calibrate_mount
from ellipsefit.place.mount import Contact, Mount
from ellipsefit.place.moves import GRAVITY, contact_loads, plan_mount
from ellipsefit.place.pose import Pose, rotation_matrix

S = np.sqrt(0.5)
#: Point, normal and tangent of the point-line-flat layout of a worked example, recomputed with 50 digits.
LAYOUT = (
    ((0, -0.05, 0), (0, S, S), (0, -S, S)),
    ((0, 0.05, 0), (0, -S, S), (0, S, S)),
    ((-0.1, 0, 0.02), (1, 0, 0), (0, 1, 0)),
    ((6, -0.05, 0), (0, S, S), (0, -S, S)),
    ((6, 0.05, 0), (0, -S, S), (0, S, S)),
    ((3, 0.8, 0), (0, 0, 1), (0, 1, 0)),
)
FULL = (-np.pi / 2, np.pi / 2)


def mount_of(
    layout: tuple[tuple[tuple[float, ...], ...], ...] = LAYOUT,
    *,
    fixed: tuple[int, ...] = (),
    ends: tuple[float, float] = FULL,
    eccentricity: float = 2e-3,
) -> Mount:
    return Mount(
        contacts=tuple(
            Contact(
                name=str(number),
                point=np.array(point, dtype=float),
                normal=np.array(normal, dtype=float),
                tangent=np.array(tangent, dtype=float),
                eccentricity=0.0 if number in fixed else eccentricity,
                wheel_radius=30e-3,
                range=ends,
            )
            for number, (point, normal, tangent) in enumerate(layout, 1)
        )
    )


def test_layout_has_the_known_determinant_and_singular_values() -> None:
    """Hale & Slocum (2001): a layout is judged by its 6 x 6 constraint matrix; values recomputed exactly."""
    matrix = mount_of().constraint_matrix()
    assert_allclose(abs(np.linalg.det(matrix)), 28.8, rtol=1e-12)
    expected = [6.854480476, 6.085260489, 1.127824942, 0.9999662308, 0.9872111448, 0.6201570599]
    assert_allclose(np.linalg.svd(matrix, compute_uv=False), expected, rtol=1e-9)
    response = np.linalg.inv(matrix)
    assert_allclose(
        response[:, 0],
        [-0.00235702260396, 0.685009694274, 0.707106781187, -0.441941738242, 0.117851130198, -0.117851130198],
        rtol=1e-10,
    )
    assert_allclose(response[:, 5], [0, 0.0625, 0, 1.25, 0, 0], rtol=0, atol=1e-14)


def test_three_vees_are_conditioned_as_maxwell_s_and_parallel_ones_are_refused() -> None:
    """Three vees at 120 deg: |det| = 27/4, singular values sqrt(3) twice and sqrt(1.5) four times (Maxwell's mount)."""
    contacts, parallel = [], []
    for number, angle in enumerate(np.radians([90, 210, 330])):
        point = np.array([np.cos(angle), np.sin(angle), 0.0])
        across = np.array([-np.sin(angle), np.cos(angle), 0.0])
        for side in (-1, 1):
            name = f"{number}{side}"
            up = np.array([0, 0, 1.0])
            contacts.append(Contact(name=name, point=point, normal=side * across + up))
            parallel.append(Contact(name=name, point=point, normal=np.array([0, side, 1.0])))
    mount = Mount(contacts=tuple(contacts))
    assert_allclose(abs(np.linalg.det(mount.constraint_matrix())), 6.75, rtol=1e-12)
    assert_allclose(mount.singular_values(), [np.sqrt(3)] * 2 + [np.sqrt(1.5)] * 4, rtol=1e-12)
    assert_allclose(mount.condition, np.sqrt(2), rtol=1e-12)
    with pytest.raises(DataError, match="a shift along x"):
        Mount(contacts=tuple(parallel))


def test_kelvin_s_cone_vee_flat_fixes_a_body() -> None:
    """Lord Kelvin's mount: three contacts in a cone, two in a vee that points at it, one flat."""
    cone = np.zeros(3)
    normals = [np.array([np.cos(a), np.sin(a), 1.0]) for a in np.radians([0, 120, 240])]
    contacts = [Contact(name=f"cone {n}", point=cone, normal=normal) for n, normal in enumerate(normals)]
    contacts += [Contact(name=f"vee {s}", point=np.array([1.0, 0, 0]), normal=np.array([0, s, 1.0])) for s in (-1, 1)]
    flat = Contact(name="flat", point=np.array([0.5, 0.8, 0]), normal=np.array([0, 0, 1.0]))
    assert Mount(contacts=(*contacts, flat)).condition < 10
    # with the flat on the line of cone and vee nothing holds the rotation about it
    with pytest.raises(DataError, match="a rotation about x through"):
        Mount(contacts=(*contacts, replace(flat, point=np.array([0.5, 0.0, 0.0]))))


def test_forward_kinematics_are_those_of_the_worked_example() -> None:
    """Six conditions solved with 50 digits: angles (10, 10, 0, 10, 10, 8) deg of the point-line-flat layout."""
    pose = mount_of().pose_at(np.radians([10, 10, 0, 10, 10, 8]))
    assert_allclose(pose.translation, [0, -0.013158688659311e-3, 0.4911579865335e-3], rtol=0, atol=1e-12)
    assert_allclose(pose.rotation, [-266.0154942548e-6, 0, 0], rtol=0, atol=1e-12)


def test_forward_after_inverse_returns_over_the_full_range() -> None:
    """1 nm and 1 nrad are asked; rounding of 6 m arms allows 1e-14."""
    rng = np.random.default_rng(1)
    mount = mount_of()
    for _ in range(300):
        angles = rng.uniform(*FULL, 6)
        if rng.random() < 0.3:  # at and next to dead centres, too
            angles[rng.integers(6)] = rng.choice([-1, 1]) * (np.pi / 2 - 10.0 ** rng.uniform(-12, -1))
        pose = mount.pose_at(angles)
        again = mount.pose_at(mount.angles_for(pose, angles))
        assert np.abs(pose.twist_to(again)).max() < 1e-12


def test_both_branches_meet_the_pose() -> None:
    rng = np.random.default_rng(2)
    mount = mount_of(ends=(-np.pi, np.pi))
    for _ in range(50):
        angles = rng.uniform(-1.3, 1.3, 6)
        pose = mount.pose_at(angles)
        near, far = mount.branches(pose)
        assert_allclose(near, angles, rtol=0, atol=1e-11)
        assert_allclose(mount.gaps(pose, far), 0, rtol=0, atol=1e-15)
        assert (np.abs(far) > np.abs(near)).all()


@pytest.mark.parametrize("d", [1e-6, 0.3e-3, 1.9e-3])
def test_two_slanted_contacts_lift_by_root_two(d: float) -> None:
    """Two contacts at +-45 deg both moved by d along their normals lift the body by sqrt(2) d, exactly for any d."""
    mount = mount_of()
    angle = np.arcsin(d / 2e-3)
    lift = np.sqrt(2) * d
    # the flat follows by as much, so that nothing rolls
    flat = np.arcsin(min(lift / 2e-3, 1.0))
    if lift > 2e-3:  # beyond what one wheel lifts: a pure lift is asked of the inverse alone
        pose = Pose(np.array([0, 0, lift]), np.zeros(3))
        assert_allclose(mount.branches(pose).near[[0, 1, 3, 4]], angle, rtol=1e-9)
        return
    pose = mount.pose_at([angle, angle, 0, angle, angle, flat])
    assert_allclose(pose.translation, [0, 0, lift], rtol=0, atol=1e-15 + 1e-12 * lift)
    assert_allclose(pose.rotation, 0, rtol=0, atol=1e-14)


def test_sensitivity_is_e_cos_phi_and_dead_centres_are_warned_about() -> None:
    """e = 2 mm: 34.9065850399 um a degree at 0, 17.4532925199 at 60, 3.04230934594 at 85 deg (closed form)."""
    mount = mount_of()
    normals = np.array([contact.normal for contact in mount.contacts])
    for degrees, expected in ((0, 34.9065850399), (60, 17.4532925199), (85, 3.04230934594)):
        speed = np.sum(mount.centre_speeds(np.full(6, np.radians(degrees))) * normals, axis=1)
        assert_allclose(speed * np.pi / 180 * 1e6, expected, rtol=1e-11)
    near = Mount(contacts=tuple(replace(contact, angle=np.radians(80)) for contact in mount.contacts))
    here = near.pose_at(near.angles)
    plan = plan_mount(near, here, here.moved([0, 0, -20e-6, 0, 0, 0]))
    assert sum("near its dead centre" in text for text in plan.warnings) == 6


def test_inverse_of_a_single_wheel_is_the_arc_sine() -> None:
    """+0.2 mm from 0 with e = 2 mm: asin 0.1 = 5.739170477 deg; the linear estimate is 5.729577951 deg."""
    mount = mount_of()
    pose = mount.pose_at([0, 0, np.radians(5.739170477), 0, 0, 0])
    assert_allclose(pose.translation, [0.2e-3, 0, 0], rtol=0, atol=1e-14)
    wanted = Pose(np.array([0.2e-3, 0, 0]), np.zeros(3))
    assert_allclose(np.degrees(mount.linear_angles(wanted)[2]), 5.729577951, rtol=1e-9)
    plan = plan_mount(mount, Pose.identity(), wanted)
    # 2 mm (asin 0.1 - 0.1 ...) : e sin(0.1) falls short by e 0.1^3 / 6 = 0.33 um
    assert_allclose(plan.linear_error, 2e-3 * (0.1 - np.sin(0.1)), rtol=1e-3)
    assert any("a linear model would miss" in text for text in plan.warnings)


def test_a_pose_out_of_reach_gives_the_nearest_and_what_limits_it() -> None:
    mount = mount_of(ends=(-np.radians(70), np.radians(70)), fixed=(3,))
    reach = mount.reach(Pose(np.array([0, 0, 4e-3]), np.zeros(3)))
    assert not reach.reached
    assert len(reach.limits) == 5
    assert all("upper limit" in text for text in reach.limits)
    highest = 2e-3 * np.sin(np.radians(70))
    assert_allclose(
        mount.pose_at(reach.angles).apply(mount.points)[5, 2], highest, rtol=2e-3
    )  # the carrier rolls by 1e-3
    # no other angles come nearer
    rng = np.random.default_rng(0)
    goal = Pose(np.array([0, 0, 4e-3]), np.zeros(3)).apply(mount.points)
    best = np.sum((reach.pose.apply(mount.points) - goal) ** 2)
    for _ in range(200):
        trial = np.clip(reach.angles + rng.normal(0, 0.05, 6), *mount.contacts[0].range) * mount.movable
        assert np.sum((mount.pose_at(trial).apply(mount.points) - goal) ** 2) > best - 1e-12


def test_a_stop_keeps_the_carrier_along_the_beam_and_what_is_missed_is_told() -> None:
    mount = mount_of(fixed=(3,))
    wanted = Pose(np.array([1e-3, 0, 0.5e-3]), np.zeros(3))
    reach = mount.reach(wanted)
    assert reach.reached
    assert_allclose(reach.pose.translation, [0, 0, 0.5e-3], rtol=0, atol=1e-12)
    assert_allclose(reach.miss[0], 1e-3, rtol=1e-9)
    assert_allclose(reach.fixed_miss, 1e-3, rtol=1e-9)


def test_one_way_takes_a_millisecond() -> None:
    """1 ms per solve, as the ratio to a plain Python sum that takes about as long on any machine."""
    mount = mount_of()
    angles = np.linspace(-1, 1, 6)

    def spent(work: object) -> float:
        best = np.inf
        for _ in range(5):
            start = time.process_time()
            for _ in range(20):
                work()  # type: ignore[operator]  # a function of the table above
            best = min(best, (time.process_time() - start) / 20)
        return best

    yardstick = spent(lambda: sum(range(30_000)))  # some 0.3 to 0.7 ms
    assert spent(lambda: mount.pose_at(angles)) < 6 * yardstick


def test_contacts_carry_the_weight_as_by_hand() -> None:
    """Weight in the middle between line and point: each of the four slanted contacts carries W/(4 cos 45 deg)."""
    mount = replace(mount_of(), mass=1000.0, centre_of_gravity=np.array([3.0, 0.0, 0.0]), friction=0.0)
    loads = contact_loads(mount, Pose.identity(), np.zeros(6), np.array([0, 0, -1.0]))
    assert loads is not None
    weight = 1000 * GRAVITY
    # the flat is 0.8 m off the line of the others' lift, on which the weight stands: it carries nothing
    assert_allclose(loads, [weight / 4 / S, weight / 4 / S, 0, weight / 4 / S, weight / 4 / S, 0], rtol=0, atol=1e-9)
    tilted = contact_loads(
        replace(mount, friction=0.2), Pose.identity(), np.zeros(6), np.array([0, 0, -1.0]), turning=0
    )
    assert tilted is not None
    forces = np.array([contact.normal for contact in mount.contacts])
    assert np.linalg.norm(tilted @ forces + [0, 0, -weight]) > 1  # friction takes its part


def test_order_of_moves_keeps_every_contact_loaded_and_ends_where_it_should() -> None:
    mount = invented_mount()
    wanted = Pose.identity().moved([0, 0.2e-3, -0.3e-3, 50e-6, 40e-6, -30e-6])
    plan = plan_mount(mount, Pose.identity(), wanted, approach=100e-6)
    assert plan.reach.reached
    assert not plan.unloading
    assert min(step.least_load or 0 for step in plan.steps) > 0.1
    angles = {contact.name: contact.angle for contact in mount.contacts}
    for step in plan.steps:
        assert step.start == pytest.approx(angles[step.contact], abs=1e-12)
        angles[step.contact] = step.stop
    for move, contact in zip(plan.moves, mount.contacts, strict=True):
        assert angles[move.contact] == pytest.approx(move.stop, abs=1e-12)
        if not contact.fixed:
            assert contact.range[0] <= move.stop <= contact.range[1]
            last = [step for step in plan.steps if step.contact == move.contact][-1]
            if move.motion < 0:  # lowered too far, then raised
                assert contact.motion(last.start, last.stop) > 0
    # rounded to whole steps of 0.05 deg = 1.7 um
    assert np.abs(plan.pose.twist_to(plan.reach.pose))[:3].max() < 10e-6


def test_an_order_that_must_unload_a_contact_is_told() -> None:
    """Weight far out on the side of the flat, and rough contacts: the wedge opposite hangs by little."""
    mount = invented_mount()
    rough = replace(mount, friction=0.6, centre_of_gravity=np.array([1.2, 0.17, 0.4]))
    plan = plan_mount(rough, Pose.identity(), Pose.identity().moved([0, 0.3e-3, 0, 0, 0, 0]))
    assert plan.unloading
    assert any("would unload" in text for text in plan.warnings)
    loose = tuple(replace(contact, preload=0.0) for contact in mount.contacts)
    plan = plan_mount(replace(mount, contacts=loose), Pose.identity(), Pose.identity())
    assert any("'stop' carries no load at rest" in text for text in plan.warnings)


def test_the_floor_s_own_motion_counts() -> None:
    """Whatever the floor did to the mount, the angles bring the carrier to nominal."""
    mount = invented_mount()
    floor = Pose(np.array([30.0, 0.0, 1.2]), np.array([2e-4, -1e-4, 3e-4]))
    turned = Mount(
        contacts=tuple(replace(one, angle=0.0 if one.fixed else 0.2, resolution=0.0) for one in mount.contacts)
    )
    now = floor @ turned.pose_at(turned.angles)
    wanted = Pose(np.array([30.0, 0.1e-3, 1.2 + 0.4e-3]), np.zeros(3))
    plan = plan_mount(turned, now, wanted)
    rest = plan.pose.twist_to(wanted)
    assert np.abs(rest[1:3]).max() < 1e-6  # the stop takes x, and what that costs at 30 m arms of 1e-4 rad
    assert np.abs(rest[3:]).max() < 1e-9


def test_calibration_finds_what_the_wheels_are() -> None:
    """Thirty surveyed poses: errors of eccentricity, phase and tilt are what is stated, chi-square over all."""
    rng = np.random.default_rng(4)
    drawn = mount_of(fixed=(3,))
    true_e = rng.normal(0, 50e-6, 6) * drawn.movable
    true_phase = rng.normal(0, np.radians(2), 6) * drawn.movable
    true_tilt = rng.normal(0, np.radians(0.3), 6)
    true = Mount(
        contacts=tuple(
            replace(
                contact,
                normal=rotation_matrix([true_tilt[i], 0, 0]) @ contact.normal,
                tangent=rotation_matrix([true_tilt[i], 0, 0]) @ np.asarray(contact.tangent),
                eccentricity=contact.eccentricity + true_e[i],
                phase=true_phase[i],
            )
            for i, contact in enumerate(drawn.contacts)
        )
    )
    base = Pose(np.array([30, 1e-3, 1.2]), np.array([1e-3, -2e-3, 5e-4]))
    covariance = np.diag(np.array([10e-6] * 3 + [18e-6, 2e-6, 2e-6]) ** 2)
    moves = []
    for _ in range(30):
        angles = rng.uniform(-1.2, 1.2, 6) * drawn.movable
        pose = base @ true.pose_at(angles)
        moves.append(
            RecordedMove(
                angles=angles,
                pose=pose.moved(rng.multivariate_normal(np.zeros(6), covariance)),
                covariance=covariance,
            )
        )
    found = calibrate_mount(drawn, moves)
    turn = drawn.movable
    normalised = np.concatenate(
        [
            ((found.eccentricity - drawn._shafts - true_e) / found.eccentricity_stderr)[turn],
            ((found.phase - true_phase) / found.phase_stderr)[turn],
            ((found.tilt - true_tilt) / found.tilt_stderr)[turn],
        ]
    )
    # 15 errors of unit variance: chi-square beyond 37.7 has a chance of 0.1 %
    assert np.sum(normalised**2) < 37.7
    assert found.untold == ("tilt of 3",)
    assert (found.eccentricity_stderr[turn] < 10e-6).all()
    # and the calibrated mount foretells a new pose better than the drawn one
    angles = np.array([0.9, -0.7, 0, 0.4, 0.8, -1.0])
    truth = true.pose_at(angles)
    reference = true.pose_at(np.zeros(6))
    errors = [
        np.linalg.norm(
            (model.pose_at(np.zeros(6)).inverse() @ model.pose_at(angles)).translation
            - (reference.inverse() @ truth).translation
        )
        for model in (drawn, found.mount)
    ]
    assert errors[1] < 0.5 * errors[0]
    assert "eccentricity" in str(found)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"normal": np.zeros(3)}, "normal must be a direction"),
        ({"range": (1.0, -1.0)}, "lowest first"),
        ({"angle": 2.0}, "angle must lie within range"),
        ({"eccentricity": -1e-3}, "eccentricity must be 0 or more"),
        ({"tangent": np.array([0, 0, 1.0])}, "square to the normal"),
        ({"point": np.array([np.nan, 0, 0])}, "three finite numbers"),
    ],
)
def test_contacts_that_cannot_be_are_refused(change: dict[str, Any], message: str) -> None:
    good = Contact(name="A", point=np.zeros(3), normal=np.array([0, 0, 1.0]), eccentricity=2e-3)
    with pytest.raises(ParameterError, match=f"contact 'A'.*{message}"):
        replace(good, **change)


def test_mounts_that_cannot_be_are_refused() -> None:
    contacts = mount_of().contacts
    with pytest.raises(ParameterError, match="must have 6 contacts"):
        Mount(contacts=contacts[:5])
    with pytest.raises(ParameterError, match="'1' stands twice"):
        Mount(contacts=(*contacts[:5], contacts[0]))
    with pytest.raises(DataError, match="recorded moves calibrate nothing"):
        calibrate_mount(mount_of(), [])
    with pytest.raises(ParameterError, match="6 finite numbers"):
        mount_of().pose_at([0.0, 1.0])
