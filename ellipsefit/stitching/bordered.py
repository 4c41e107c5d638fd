"""Symmetric positive definite matrices that are a band with a border: neighbours couple, and a few to all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ellipsefit.arrays import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bordered:
    """Symmetric matrix [[band, cross], [cross.T, corner]]."""

    band: FloatArray  # (h, n): band[d, j] is the entry of row j + d and column j
    cross: FloatArray  # (n, b)
    corner: FloatArray  # (b, b)

    @property
    def size(self) -> int:
        """Number of rows."""
        return len(self.cross) + len(self.corner)

    def dense(self) -> FloatArray:
        """The same, entry by entry."""
        n = len(self.cross)
        whole = np.zeros((self.size, self.size))
        for d in range(min(len(self.band), n)):
            at = np.arange(n - d)
            whole[at + d, at] = whole[at, at + d] = self.band[d, : n - d]
        whole[:n, n:] = self.cross
        whole[n:, :n] = self.cross.T
        whole[n:, n:] = self.corner
        return whole

    def diagonal(self) -> FloatArray:
        """Its diagonal, shape (n + b,)."""
        return np.concatenate([self.band[0], np.diag(self.corner)])

    def plus(self, scale: float, diagonal: FloatArray, corner: FloatArray) -> Bordered:
        """The matrix times a scale, plus a diagonal for the band's rows and a matrix in the corner."""
        band = self.band * scale
        band[0] += diagonal
        return Bordered(band=band, cross=self.cross * scale, corner=self.corner * scale + corner)

    def matvec(self, vector: FloatArray) -> FloatArray:
        """Product with a vector (n + b,)."""
        n = len(self.cross)
        own, rest = vector[:n], vector[n:]
        product = self.band[0] * own + self.cross @ rest
        for d in range(1, min(len(self.band), n)):
            product[d:] += self.band[d, : n - d] * own[: n - d]
            product[: n - d] += self.band[d, : n - d] * own[d:]
        return np.concatenate([product, self.cross.T @ own + self.corner @ rest])

    def factorised(self) -> Factorised:
        """Cholesky factors of band and of the border's Schur complement, of the matrix scaled to unit diagonal.

        Raises
        ------
        numpy.linalg.LinAlgError
            If the matrix is not positive definite.
        """
        from scipy.linalg import cho_solve_banded, cholesky_banded

        n = len(self.cross)
        size = np.sqrt(self.diagonal())
        band = self.band.copy()
        for d in range(min(len(band), n)):
            band[d, : n - d] /= size[: n - d] * size[d:n]
        try:
            factor = cholesky_banded(band, lower=True, check_finite=False)
        except np.linalg.LinAlgError:
            # noise so small against all else that rounding hides the prior: hold that
            band[0] += 1e-14 * len(band)
            factor = cholesky_banded(band, lower=True, check_finite=False)
        cross = self.cross / np.outer(size[:n], size[n:])
        across = cho_solve_banded((factor, True), cross, check_finite=False) if n else cross
        schur = self.corner / np.outer(size[n:], size[n:]) - cross.T @ across
        return Factorised(size=size, band=factor, across=across, corner=cholesky(schur) if len(schur) else None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Factorised:
    """A factorised `Bordered` matrix A, scaled to D**-1 A D**-1 with D = diag(size)."""

    size: FloatArray  # (n + b,)
    band: FloatArray  # (h, n) Cholesky factor L of the band
    across: FloatArray  # (n, b) band**-1 @ cross
    corner: tuple[FloatArray, bool] | None  # Cholesky factor of the Schur complement; None: no border

    def solve(self, right: FloatArray) -> FloatArray:
        """The solution of A x = right, shape (n + b,) or (n + b, r)."""
        from scipy.linalg import cho_solve, cho_solve_banded

        n = len(self.across)
        columns = right.reshape(len(right), -1) / self.size[:, None]
        own = cho_solve_banded((self.band, True), columns[:n], check_finite=False)
        if self.corner is None:
            rest = columns[n:]
        else:
            rest = cho_solve(self.corner, columns[n:] - self.across.T @ columns[:n], check_finite=False)
            own = own - self.across @ rest
        found: FloatArray = np.concatenate([own, rest]) / self.size[:, None]
        return found.reshape(right.shape)

    def last_covariance(self, count: int) -> FloatArray:
        """Inverse of A for the last rows and columns, shape (count, count), count at most b."""
        root = self.border_root()[-count:] / self.size[-count:, None]
        return np.asarray(root @ root.T)

    def inverse_band(self) -> FloatArray:
        """Entries of the inverse of the (scaled) band alone, within the band, shape (h, n).

        By blocks of h rows, from the last to the first: with the band as L L', its inverse Z obeys
        Z = L'**-1 L**-1 + (I - L') Z ..., so that a block row of Z follows from the next one alone
        (Takahashi, Fagan and Chin 1973).
        """
        from scipy.linalg import solve_triangular

        h, n = self.band.shape
        found = np.zeros((h, n))
        after = np.zeros((0, 0))
        offset = np.arange(h)
        for start in range((n - 1) // h * h, -1, -h):
            stop = min(start + h, n)
            own = _block(self.band, start, stop, start, stop)
            inverse = solve_triangular(own, np.eye(stop - start), lower=True, check_finite=False)
            if len(after):
                below = _block(self.band, stop, stop + len(after), start, stop) @ inverse
                side = -after @ below  # rows of the next block, columns of this
                middle = inverse.T @ inverse - below.T @ side
                whole = np.block([[middle, side.T], [side, after]])
            else:
                middle = inverse.T @ inverse
                whole = middle
            for column in range(stop - start):
                rows = offset[: len(whole) - column] + column
                found[: len(rows), start + column] = whole[rows, column]
            after = middle
        return found

    def border_root(self) -> FloatArray:
        """R, shape (b, b), with R R' the covariance of the (scaled) border."""
        from scipy.linalg import solve_triangular

        if self.corner is None:
            return np.zeros((0, 0))
        lower = np.tril(self.corner[0])
        return np.asarray(solve_triangular(lower, np.eye(len(lower)), lower=True, check_finite=False).T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FactorisedDense:
    """A factorised dense positive definite matrix A, scaled to unit diagonal: D L L' D with D = diag(size)."""

    size: FloatArray  # (m,)
    lower: FloatArray  # (m, m) L

    @classmethod
    def of(cls, matrix: FloatArray) -> FactorisedDense:
        """Cholesky factor of a matrix (m, m)."""
        size = np.sqrt(np.diag(matrix))
        return cls(size=size, lower=np.tril(cholesky(matrix / np.outer(size, size))[0]))

    @property
    def log_determinant(self) -> float:
        """Logarithm of the determinant of A."""
        return 2 * float(np.log(np.diag(self.lower)).sum() + np.log(self.size).sum())

    def solve(self, right: FloatArray) -> FloatArray:
        """The solution of A x = right, shape (m,) or (m, r)."""
        from scipy.linalg import cho_solve

        columns = right.reshape(len(right), -1) / self.size[:, None]
        found: FloatArray = cho_solve((self.lower, True), columns, check_finite=False) / self.size[:, None]
        return found.reshape(right.shape)

    def last_covariance(self, count: int) -> FloatArray:
        """Inverse of A for the last rows and columns, shape (count, count)."""
        unit = np.zeros((len(self.size), count))
        unit[-count:] = np.eye(count)
        return self.solve(unit)[-count:]

    def modes(self, gram: FloatArray) -> FloatArray:
        """Columns V, (m, m), with V V' = A**-1 and V' gram V diagonal, largest first."""
        from scipy.linalg import solve_triangular

        scaled = gram / np.outer(self.size, self.size)
        half = solve_triangular(self.lower, scaled, lower=True, check_finite=False)
        whole = solve_triangular(self.lower, half.T, lower=True, check_finite=False)
        _, vectors = np.linalg.eigh((whole + whole.T) / 2)
        found = solve_triangular(self.lower, vectors[:, ::-1], lower=True, trans="T", check_finite=False)
        return np.asarray(found / self.size[:, None])


def _block(band: FloatArray, row: int, row_end: int, column: int, column_end: int) -> FloatArray:
    """Lower part of a band matrix as a dense block; zero outside the band and above the diagonal."""
    distance = np.arange(row, row_end)[:, None] - np.arange(column, column_end)
    inside = (distance >= 0) & (distance < len(band))
    entries = band[np.clip(distance, 0, len(band) - 1), np.arange(column, column_end)[None, :]]
    return np.where(inside, entries, 0.0)


def cholesky(matrix: FloatArray) -> tuple[FloatArray, bool]:
    """Cholesky factor of a positive definite matrix of about unit diagonal, for `scipy.linalg.cho_solve`."""
    from scipy.linalg import cho_factor

    factor: Any
    try:
        factor, lower = cho_factor(matrix, lower=True, check_finite=False)
    except np.linalg.LinAlgError:
        # noise so small against heights and tilts that rounding hides the prior of the common pose: hold that
        ridge = 1e-14 * len(matrix) * np.eye(len(matrix))
        factor, lower = cho_factor(matrix + ridge, lower=True, check_finite=False)
    return factor, lower
