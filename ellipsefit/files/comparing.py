"""A round compared, from its files: plan, measurements before and after, what was learned earlier, readings."""

from __future__ import annotations

import os
from collections.abc import Sequence

from ellipsefit.align.comparison import Comparison, compare_round
from ellipsefit.errors import DataError, EllipsefitError, FileFormatError, ParameterError
from ellipsefit.files.nexus import mirror_named_in
from ellipsefit.files.orders import read_history, read_orders
from ellipsefit.files.registry import file_format, read_profile
from ellipsefit.files.sheet import read_sheet
from ellipsefit.mirror import Mirror
from ellipsefit.profile import Profile, place_profile

Path_ = str | os.PathLike[str]


def compare_files(
    plan: Path_,
    before: Path_,
    after: Path_,
    *,
    mirror: Mirror | None = None,
    past: Path_ | None = None,
    number: int | None = None,
    readings: Sequence[tuple[str, str, float]] = (),
    sheet: Path_ | None = None,
) -> Comparison:
    """Compare a round from its files.

    Parameters
    ----------
    plan : path
        JSON answer of `correct`, or a record.
    before, after : path
        Profiles, or records or fits with one.
    mirror : Mirror, optional
        For a plan that does not hold its mirror.
    past : path, optional
        JSON answer of the comparison before, a record, or an influence matrix that is given (TOML or CSV).
    number : int, optional
        Round of the record that `plan` is.
    readings : sequence of (segment, adjuster, position)
        Where adjusters really stand [m].
    sheet : path, optional
        A filled-in sheet.

    Raises
    ------
    EllipsefitError
        If a file is faulty or two contradict each other; the text names the file.
    """
    orders = read_orders(plan, mirror, number=number)
    history = None if past is None else read_history(past, orders.mirror)
    measured = [_measured(path, orders.mirror) for path in (before, after)]
    if measured[0].frame != measured[1].frame:
        raise DataError(
            f"{after}: is in the frame of the {_FRAMES[measured[1].frame]} and {before} in that of the "
            f"{_FRAMES[measured[0].frame]}; expected both in one frame"
        )
    placed = [place_profile(profile, orders.mirror) for profile in measured]
    stands = {} if sheet is None else dict(read_sheet(sheet, orders))
    for segment, adjuster, position in readings:
        if (segment, adjuster) in stands:
            raise ParameterError(f"reading of {segment}/{adjuster}: is given twice; expected one")
        stands[segment, adjuster] = position
    try:
        return compare_round(orders, placed[0], placed[1], history=history, readings=stands)
    except EllipsefitError as fault:
        kind = DataError if isinstance(fault, DataError) else type(fault)
        text = str(fault)
        named = text if text.startswith((str(before), str(after), "reading")) else f"{plan}: {text}"
        raise kind(named) from None


_FRAMES = {"scan": "instrument", "mirror": "mirror"}


def _measured(path: Path_, mirror: Mirror) -> Profile:
    if file_format(path) == "hdf5":
        name = mirror_named_in(path)
        if name is not None and name != mirror.name:
            raise FileFormatError(f"{path}: is of mirror '{name}'; expected one of mirror '{mirror.name}'")
    return read_profile(path)
