"""Priors as functions of standard normal scores."""

from __future__ import annotations

from enum import Enum

import numpy as np
from scipy.special import ndtr

from monitord.model.series import Array


class Shape(Enum):
    """Distribution of a prior with two numbers."""

    NORMAL = "normal"
    """Mean and standard deviation."""
    LOG_NORMAL = "log-normal"
    """Median, and standard deviation of the natural logarithm."""
    UNIFORM = "uniform"
    """Least and greatest."""
    LOG_UNIFORM = "log-uniform"
    """Least and greatest, uniform in the logarithm."""


Prior = tuple[Shape, float, float]


def prior_value(prior: Prior, score: Array) -> Array:
    """The quantity at standard normal scores, same shape."""
    shape, first, second = prior
    if shape is Shape.NORMAL:
        return first + second * score
    if shape is Shape.LOG_NORMAL:
        return np.asarray(first * np.exp(second * score))
    share = ndtr(score)
    if shape is Shape.UNIFORM:
        return np.asarray(first + (second - first) * share)
    return np.asarray(first * (second / first) ** share)
