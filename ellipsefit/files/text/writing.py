"""Profiles and scans written as text, commas between columns and points in numbers."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Final

from ellipsefit.files.safe import new_file
from ellipsefit.profile import Profile, Quantity
from ellipsefit.scan import Scan

#: What writing changes at most: half of the last decimal of a position [m], and of a value [m, rad].
X_ROUNDING: Final = 0.5e-10
VALUE_ROUNDING: Final = 0.5e-12


def write_text_profile(
    profile: Profile,
    path: str | os.PathLike[str],
    *,
    comments: Sequence[str] = (),
    force: bool = False,
) -> None:
    """Write a profile as delimited text: x [mm], height [um] or slope [urad], and what else it has.

    Parameters
    ----------
    profile : Profile
        Written to a tenth of a nanometre in x and a picometre (picoradian) in the values.
    path : path
    comments : sequence of str
        Lines that stand before the header.
    force : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    unit = _written_unit(profile.quantity)
    columns = [*_measured_columns(profile), *_names_and_sigma(profile, unit)]
    if profile.y is not None:
        columns.append(("y [mm]", [f"{value:.7f}" for value in profile.y * 1e3]))
    if profile.mask is not None:
        columns.append(("mask", [str(int(value)) for value in profile.mask]))
    _write_columns(columns, path, comments, force=force)


def write_text_scan(
    scan: Scan, path: str | os.PathLike[str], *, comments: Sequence[str] = (), force: bool = False
) -> None:
    """Write a raw scan as delimited text, as `write_text_profile` does, with carriage, time and temperature.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    columns = _measured_columns(scan)
    if scan.carriage is not None:
        columns.append(("carriage [mm]", [f"{value:.7f}" for value in scan.carriage * 1e3]))
    if scan.time is not None:
        columns.append(("time [s]", [f"{value:.9g}" for value in scan.time]))
    if scan.temperature is not None:
        columns.append(("temperature [K]", [f"{value:.9g}" for value in scan.temperature]))
    columns += _names_and_sigma(scan, _written_unit(scan.quantity))
    _write_columns(columns, path, comments, force=force)


_Cells = list[tuple[str, list[str]]]


def _written_unit(quantity: Quantity) -> str:
    return "um" if quantity == "height" else "urad"


def _measured_columns(measured: Profile | Scan) -> _Cells:
    return [
        ("x [mm]", [f"{value:.7f}" for value in measured.x * 1e3]),
        (
            f"{measured.quantity} [{_written_unit(measured.quantity)}]",
            [f"{value:.6f}" for value in measured.values * 1e6],
        ),
    ]


def _names_and_sigma(measured: Profile | Scan, unit: str) -> _Cells:
    columns: _Cells = []
    if measured.segment is not None:
        columns.append(("segment", [str(name) for name in measured.segment]))
    if measured.sigma is not None:
        columns.append((f"sigma [{unit}]", [f"{value * 1e6:.7g}" for value in measured.sigma]))
    return columns


def _write_columns(columns: _Cells, path: str | os.PathLike[str], comments: Sequence[str], *, force: bool) -> None:
    lines = [f"# {comment}" for comment in comments]
    lines.append(",".join(name for name, _ in columns))
    lines += [",".join(row) for row in zip(*(cells for _, cells in columns), strict=True)]
    with new_file(path, force=force) as temporary:
        temporary.write_text("\n".join(lines) + "\n", encoding="utf-8")
