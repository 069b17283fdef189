"""What the residuals of a least-squares fit say of the errors of its parameters."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.information import covariance_of

_LEAST_LEFT = 0.1  # of a residual that its own sample draws to itself: less left says nothing of the scatter
_MOST_ALIKE = 0.95  # neighbours that resemble each other more leave no two samples to compare


def hc3_covariance(jacobian: FloatArray, residual: FloatArray, known: float) -> FloatArray:
    """Covariance of the parameters, from residuals that need not scatter alike, shape (k, k); ∞ where undetermined.

    Heteroscedasticity-consistent, each residual by what it would be if its sample were left out (HC3: J. G. MacKinnon
    and H. White, J. Econometrics 29, 1985).

    jacobian : shape (n + 1, k), the last row no sample but what is known beforehand, zeros for nothing
    residual : of the samples, shape (n,); known : standard deviation of what is known beforehand, in the same unit
    """
    bread = covariance_of(jacobian.T @ jacobian)
    open_ = np.isinf(np.diag(bread))
    bread[open_, open_] = 0.0
    leverage = np.einsum("ij,jk,ik->i", jacobian[:-1], bread, jacobian[:-1])
    left_out = np.append(residual / np.maximum(1.0 - leverage, _LEAST_LEFT), known)
    meat = (jacobian * left_out[:, None] ** 2).T @ jacobian
    covariance = np.asarray(bread @ meat @ bread)
    covariance[open_, open_] = np.inf
    return covariance


def raised_by_likeness(residual: FloatArray) -> float:
    """By how much neighbouring residuals that resemble each other raise a variance: (1 + r)/(1 − r), r ≥ 0 at lag 1.

    Effective number of samples of a first-order autoregressive series (Bartlett, J. R. Stat. Soc. 98, 1935).

    residual : in order of time, shape (n,)
    """
    power = float(residual @ residual)
    r = min(max(float(residual[1:] @ residual[:-1]) / power, 0.0), _MOST_ALIKE) if power else 0.0
    return (1 + r) / (1 - r)
