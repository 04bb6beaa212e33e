"""The bicubic spline of our own reading is the library's, and finds its cells by a division."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.interpolate import RectBivariateSpline

from drift.engine.bicubic import Bicubic


def grid(n_x: int, n_y: int):
    x, y = np.linspace(-3.0, 5.0, n_x), np.linspace(10.0, 11.0, n_y)
    return x, y, np.sin(x)[:, None] * np.exp(y - 10) + np.cos(3 * x)[:, None] * (y - 10.4) ** 2


@pytest.mark.parametrize(("n_x", "n_y"), [(4, 4), (5, 9), (56, 40)])
def test_it_reads_what_the_library_reads_within_the_grid_and_at_its_edge_beyond(n_x, n_y):
    x, y, values = grid(n_x, n_y)
    rng = np.random.default_rng(1)
    at = rng.uniform(-4, 6, (50, 3)), rng.uniform(9.8, 11.2, (50, 3))
    expected = RectBivariateSpline(x, y, values).ev(*at)
    np.testing.assert_allclose(Bicubic(x, y, values)(*at), expected, rtol=1e-10, atol=1e-12)


@given(arrays(float, (6, 7), elements=st.floats(-1e3, 1e3)))
def test_it_goes_through_the_values(values):
    x, y, _ = grid(6, 7)
    met = Bicubic(x, y, values)(*np.meshgrid(x, y, indexing="ij"))
    np.testing.assert_allclose(met, values, rtol=1e-9, atol=1e-9)


def test_straight_lines_between_the_values_would_not_do():
    x, y, values = grid(17, 17)
    at = np.array([-2.7, 0.3, 3.8]), np.array([10.3, 10.55, 10.9])
    truth = np.sin(at[0]) * np.exp(at[1] - 10) + np.cos(3 * at[0]) * (at[1] - 10.4) ** 2
    straight = RectBivariateSpline(x, y, values, kx=1, ky=1).ev(*at)
    assert np.abs(Bicubic(x, y, values)(*at) - truth).max() < 0.2 * np.abs(straight - truth).max()
