"""One file of a measurement to another format, with a report of what that could not carry."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Literal, cast

import numpy as np

from ellipsefit.errors import ParameterError
from ellipsefit.files.lines import FRAME_LOST, Conversion
from ellipsefit.files.registry import LINED, file_format, read_measured, read_profile
from ellipsefit.profile import Profile
from ellipsefit.scan import Scan

Target = Literal["x3p", "sdf", "hdf5", "text"]

#: Format of a file to write, by its suffix.
SUFFIXES: Final[Mapping[str, Target]] = {
    ".x3p": "x3p",
    ".sdf": "sdf",
    ".h5": "hdf5",
    ".hdf5": "hdf5",
    ".nxs": "hdf5",
    ".csv": "text",
    ".txt": "text",
    ".dat": "text",
}


def target_format(path: str | os.PathLike[str]) -> Target:
    """Format of a file to write, told by its suffix.

    Raises
    ------
    ParameterError
        If the suffix tells none.
    """
    found = SUFFIXES.get(Path(path).suffix.casefold())
    if found is None:
        raise ParameterError(f"{path}: its name tells no format; expected an end such as {', '.join(SUFFIXES)}")
    return found


def convert_file(
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    *,
    line: str | None = None,
    scan: str | None = None,
    stored: str | None = None,
    ascii: bool = False,  # noqa: A002 - the standard's word
    when: datetime | None = None,
    force: bool = False,
) -> Conversion:
    """Write what one file holds in the format that the other's suffix names.

    Parameters
    ----------
    source, target : path
        Profile or scans in any format that is read; X3P, SDF, NeXus HDF5 or delimited text.
    line : str, optional
        Of X3P or SDF with several lines, as for `read_profile`.
    scan : str, optional
        Name of one of several scans; only HDF5 holds more than one.
    stored : str, optional
        Type of the heights in X3P or SDF, such as 'int16'; by default float64.
    ascii : bool
        SDF as text.
    when : datetime, optional
        Date of creation in SDF; by default now.
    force : bool
        Whether the target may be replaced.

    Raises
    ------
    EllipsefitError
        If the source is faulty, the target's format cannot hold it, or options don't fit.
    """
    target_format(target)
    measured: Profile | tuple[Scan, ...]
    if line is not None or file_format(source) in LINED:
        measured = read_profile(source, line=line)
    else:
        measured = read_measured(source)
    if isinstance(measured, Profile) and scan is not None:
        raise ParameterError(f"--scan: {source} holds a profile, no scans to choose from")
    if isinstance(measured, tuple) and scan is not None:
        named = [one for one in measured if one.name == scan]
        if not named:
            names = ", ".join(one.name for one in measured[:8]) + ", ..." * (len(measured) > 8)
            raise ParameterError(f"--scan: {source} holds no scan '{scan}'; it holds {names}")
        measured = (named[0],)
    return write_measured(measured, target, stored=stored, ascii=ascii, when=when, force=force)


def write_measured(
    measured: Profile | tuple[Scan, ...],
    path: str | os.PathLike[str],
    *,
    stored: str | None = None,
    ascii: bool = False,  # noqa: A002 - the standard's word
    settings: Mapping[str, str] | None = None,
    when: datetime | None = None,
    force: bool = False,
) -> Conversion:
    """Write a profile or scans in the format that the suffix names, HDF5 if none; it keeps `settings`, too.

    Raises
    ------
    EllipsefitError
        As by `convert_file`.
    """
    found = SUFFIXES.get(Path(path).suffix.casefold(), "hdf5")
    if stored is not None and found not in LINED:
        raise ParameterError(f"--store: {path} holds numbers as they are; only X3P and SDF have types to choose from")
    if ascii and found != "sdf":
        raise ParameterError(f"--ascii: {path} is no SDF file; only SDF has two forms")
    if found == "hdf5":
        return _to_hdf5(measured, path, settings, force=force)
    if isinstance(measured, tuple) and len(measured) > 1:
        raise ParameterError(f"{path}: is to hold {len(measured)} scans; expected one, named by --scan, or HDF5")
    one = measured[0] if isinstance(measured, tuple) else measured
    if found == "text":
        return _to_text(one, path, force=force)
    if found == "x3p":
        from ellipsefit.files.x3p import write_x3p

        return write_x3p(one, path, stored=cast("Any", stored or "float64"), force=force)
    from ellipsefit.files.sdf import write_sdf

    return write_sdf(one, path, stored=cast("Any", stored or "float64"), ascii=ascii, when=when, force=force)


def _to_hdf5(
    measured: Profile | tuple[Scan, ...],
    path: str | os.PathLike[str],
    settings: Mapping[str, str] | None,
    *,
    force: bool,
) -> Conversion:
    from ellipsefit.files.nexus import write_profile, write_scans  # h5py is loaded when a file needs it

    if isinstance(measured, Profile):
        write_profile(measured, path, settings=settings, force=force)
        points, invalid = len(measured), int((~measured.used).sum())
    else:
        write_scans(measured, path, force=force)
        points = sum(len(scan.x) for scan in measured)
        invalid = sum(int((~np.isfinite(scan.values)).sum()) for scan in measured)
    return Conversion(path=os.fspath(path), layout="HDF5 by the NeXus standard", points=points, invalid=invalid)


def _to_text(measured: Profile | Scan, path: str | os.PathLike[str], *, force: bool) -> Conversion:
    from ellipsefit.files.text import VALUE_ROUNDING, X_ROUNDING, write_text_profile, write_text_scan

    lost = []
    if isinstance(measured, Scan):
        write_text_scan(measured, path, force=force)
        invalid = int((~np.isfinite(measured.values)).sum())
        for key, word in (("direction", "the declared direction"), ("angle", "the independent reading of its angle")):
            if getattr(measured, key) is not None:
                lost.append(word)
        if measured.orientation != "normal":
            lost.append(f"how the mirror lay ({measured.orientation.replace('_', ' ')})")
    else:
        write_text_profile(measured, path, force=force)
        invalid = int((~measured.used).sum())
        if measured.covariance_factor is not None:
            lost.append("what the points are unsure of together (covariance)")
        if measured.mask_reason is not None:
            lost.append("why points are masked")
        if measured.frame == "mirror":
            lost.append(FRAME_LOST)
    return Conversion(
        path=os.fspath(path),
        layout="delimited text",
        points=len(measured.x),
        invalid=invalid,
        height_rounding=VALUE_ROUNDING,
        position_rounding=X_ROUNDING,
        lost=tuple(lost),
    )
