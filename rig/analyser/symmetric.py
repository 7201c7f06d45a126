"""Inverses of many small symmetric matrices at once, in closed form: a general solver spends its time on
calls."""

from __future__ import annotations

import numpy as np

from rig.samples import FloatArray

RIDGE = 1e-13
"""Share of the trace added to the diagonal: a row whose nodes share one position must not stop the others."""


def inverse_symmetric3(matrices: FloatArray) -> FloatArray:
    """Inverses of symmetric matrices of shape (rows, 3, 3), by their cofactors."""
    (a, b, c), (_, d, e), (_, _, f) = matrices.transpose(1, 2, 0)
    ridge = RIDGE * np.abs(a + d + f) + 1e-300
    a, d, f = a + ridge, d + ridge, f + ridge
    aa, ab, ac = d * f - e * e, c * e - b * f, b * e - c * d
    dd, de, ff = a * f - c * c, b * c - a * e, a * d - b * b
    determinant = a * aa + b * ab + c * ac
    inverse = np.empty_like(matrices)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = 1 / determinant
        for row, column, cofactor in ((0, 0, aa), (0, 1, ab), (0, 2, ac), (1, 1, dd), (1, 2, de), (2, 2, ff)):
            inverse[:, row, column] = inverse[:, column, row] = cofactor * scale
    return inverse


def times_vector(matrices: FloatArray, vectors: FloatArray) -> FloatArray:
    """Products of matrices (rows, k, k) with vectors (rows, k)."""
    products: FloatArray = np.einsum("rij,rj->ri", matrices, vectors)
    return products
