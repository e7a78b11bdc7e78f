"""Quaternion kernels against scipy.spatial.transform.Rotation and transforms3d."""

import math

import numpy as np
import pytest
import transforms3d
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.description import rotation

component = st.floats(-3.0, 3.0)
vectors = st.tuples(component, component, component).map(np.array)
rotation_vectors = vectors.filter(lambda v: np.linalg.norm(v) < 3.1)


def same_rotation(a, b, tolerance=1e-14):
    return abs(abs(np.dot(a, b)) - 1.0) < tolerance


@settings(deadline=None, max_examples=200)
@given(rotation_vectors, vectors)
def test_a_vector_turns_as_scipy_and_transforms3d_turn_it(turn, vector):
    reference = Rotation.from_rotvec(turn)
    q = reference.as_quat()
    assert np.allclose(rotation.rotate(q, vector), reference.apply(vector), rtol=0.0, atol=2e-14)
    assert np.allclose(rotation.rotate_inverse(q, vector), reference.inv().apply(vector), rtol=0.0, atol=2e-14)
    wxyz = np.roll(q, 1)
    assert np.allclose(
        rotation.rotate(q, vector), transforms3d.quaternions.rotate_vector(vector, wxyz), rtol=0.0, atol=2e-14
    )


@settings(deadline=None, max_examples=200)
@given(rotation_vectors, rotation_vectors)
def test_products_follow_the_order_of_scipy_and_transforms3d(first, second):
    a, b = Rotation.from_rotvec(first), Rotation.from_rotvec(second)
    product = rotation.multiply(a.as_quat(), b.as_quat())
    assert same_rotation(product, (a * b).as_quat())
    reference = transforms3d.quaternions.qmult(np.roll(a.as_quat(), 1), np.roll(b.as_quat(), 1))
    assert np.allclose(product, np.roll(reference, -1), rtol=0.0, atol=1e-15)


@settings(deadline=None, max_examples=200)
@given(rotation_vectors)
def test_rotation_vectors_matrices_and_conjugates_agree_with_scipy(turn):
    reference = Rotation.from_rotvec(turn)
    q = rotation.from_rotation_vector(turn)
    assert same_rotation(q, reference.as_quat())
    assert np.allclose(rotation.to_rotation_vector(q), turn, rtol=0.0, atol=1e-12)
    assert same_rotation(rotation.conjugate(q), reference.inv().as_quat())
    matrix = np.empty((3, 3))
    rotation.to_matrix(np.array(q), matrix)
    assert np.allclose(matrix, reference.as_matrix(), rtol=0.0, atol=1e-14)


@settings(deadline=None, max_examples=200)
@given(rotation_vectors, rotation_vectors)
def test_integrating_a_body_rate_multiplies_on_the_right(start, turn):
    reference = Rotation.from_rotvec(start) * Rotation.from_rotvec(turn)
    q = rotation.integrate(Rotation.from_rotvec(start).as_quat(), turn)
    assert same_rotation(q, reference.as_quat())
    assert math.isclose(np.linalg.norm(q), 1.0, abs_tol=4e-16)


@pytest.mark.parametrize("size", [0.0, 1e-300, 1e-12, 0.9999e-4, 1.0001e-4, 1e-3])
def test_small_turns_keep_their_last_digits(size):
    turn = size * np.array([0.6, -0.48, 0.64])
    q = rotation.from_rotation_vector(turn)
    assert np.allclose(q, Rotation.from_rotvec(turn).as_quat(), rtol=1e-15, atol=1e-17)
    assert np.allclose(rotation.to_rotation_vector(q), turn, rtol=1e-10, atol=0.0)


@given(st.floats(-math.pi, math.pi))
@settings(deadline=None)
def test_heading_is_the_yaw_of_a_level_body(angle):
    q = rotation.from_heading(angle)
    assert same_rotation(q, Rotation.from_euler("z", angle).as_quat())
    assert abs(math.remainder(rotation.heading(q) - angle, 2.0 * math.pi)) < 1e-14


@settings(deadline=None, max_examples=200)
@given(st.floats(-3.0, 3.0), st.floats(-1.4, 1.4), st.floats(-3.0, 3.0))
def test_heading_of_a_leaning_body_is_the_yaw_of_the_zyx_angles(yaw, pitch, roll):
    q = Rotation.from_euler("ZYX", [yaw, pitch, roll]).as_quat()
    wxyz = np.roll(q, 1)
    assert rotation.heading(q) == pytest.approx(transforms3d.euler.quat2euler(wxyz, "rzyx")[0], abs=1e-12)


@given(vectors, vectors)
@settings(deadline=None)
def test_cross_is_the_vector_product_of_numpy(a, b):
    assert np.allclose(rotation.cross(a, b), np.cross(a, b), rtol=0.0, atol=1e-15)


@given(rotation_vectors, vectors)
@settings(deadline=None, max_examples=200)
def test_the_rate_of_a_changing_rotation_vector_is_that_of_scipy_s_rotations(turn, slope):
    """By the central difference of two products of scipy's, whose error goes with the square of the step."""
    step = 1e-5
    before, after = (Rotation.from_rotvec(turn + sign * step * slope) for sign in (-0.5, 0.5))
    expected = (before.inv() * after).as_rotvec() / step
    assert rotation.rate_of(turn, slope) == pytest.approx(expected, abs=1e-8)


@given(rotation_vectors, vectors)
@settings(deadline=None, max_examples=200)
def test_the_slope_of_a_rotation_vector_is_the_inverse_of_its_rate(turn, slope):
    assert rotation.slope_of(turn, rotation.rate_of(turn, slope)) == pytest.approx(slope, abs=1e-11)


@pytest.mark.parametrize("size", [0.0, 1e-9, 0.9999e-3, 1.0001e-3])
def test_rates_and_slopes_agree_on_both_sides_of_their_series(size):
    turn, slope = size * np.array([0.6, -0.48, 0.64]), np.array([0.3, 0.2, -0.5])
    x, y, z = turn
    skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    exact = slope - skew @ slope / 2 + skew @ skew @ slope / 6 - skew @ skew @ skew @ slope / 24
    assert rotation.rate_of(turn, slope) == pytest.approx(exact, abs=1e-13)
    assert rotation.slope_of(turn, exact) == pytest.approx(slope, abs=1e-13)
