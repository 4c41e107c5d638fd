"""Convolution by Fourier transforms. scipy.signal has it, too, but takes longer to load than most fits to make."""

from __future__ import annotations

import numpy as np
from scipy import fft

from ellipsefit.arrays import FloatArray


def convolved(values: FloatArray, kernel: FloatArray) -> FloatArray:
    """Whole convolution of two arrays, shapes (N,) and (K,) to (N + K - 1,).

    Examples
    --------
    >>> convolved(np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0])).round(12)
    array([1., 3., 5., 3.])
    """
    count = len(values) + len(kernel) - 1
    size = fft.next_fast_len(count, real=True)
    product = fft.rfft(values, size) * fft.rfft(kernel, size)
    return np.asarray(fft.irfft(product, size)[:count], dtype=np.float64)
