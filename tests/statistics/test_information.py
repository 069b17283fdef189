"""The covariance of an information matrix, against numpy's inverse and a textbook's rule of what is estimable."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.statistics.information import covariance_of, variance_of


def test_a_regular_matrix_is_inverted_as_numpy_does_in_any_units():
    columns = np.random.default_rng(91).normal(0.0, 1.0, (30, 3)) * [1e-6, 1.0, 1e6]
    information = columns.T @ columns
    assert covariance_of(information) == pytest.approx(np.linalg.inv(information), rel=1e-9)


def test_parameters_that_no_data_tell_apart_are_open_and_the_others_are_not():
    """Rao, Linear Statistical Inference, section 4a: only what the rows of the design span is estimable.

    The second and third column are one; the first one stands at right angles to them.
    """
    rng = np.random.default_rng(92)
    second = rng.normal(0.0, 1.0, 40)
    first = np.ones(40)
    second -= second.mean()
    covariance = covariance_of(
        np.column_stack([first, second, 3.0 * second]).T @ np.column_stack([first, second, 3.0 * second])
    )
    assert covariance[0, 0] == pytest.approx(1.0 / 40.0)
    assert np.isinf(np.diag(covariance)[1:]).all()
    assert variance_of(np.array([1.0, 0.0, 0.0]), covariance) == pytest.approx(1.0 / 40.0)
    assert variance_of(np.array([1.0, 0.0, 1.0]), covariance) == np.inf


def test_what_nothing_bears_on_is_open():
    covariance = covariance_of(np.diag([4.0, 0.0]))
    assert covariance[0, 0] == 0.25
    assert covariance[1, 1] == np.inf
    assert np.isinf(np.diag(covariance_of(np.zeros((2, 2))))).all()
