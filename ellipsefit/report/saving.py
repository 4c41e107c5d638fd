"""A figure as a file: the suffix says which kind, and the same figure gives the same bytes."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ellipsefit.errors import ParameterError
from ellipsefit.files.safe import new_file
from ellipsefit.report.style import our_style, without_glyph_warnings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Kinds of file, and what would be written into each that depends on the day or on a library's version.
METADATA: Final[dict[str, dict[str, None]]] = {
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}
#: Points per inch of a png: sharp in print.
RESOLUTION: Final = 200


def figure_format(path: str | os.PathLike[str]) -> str:
    """Kind of file that a figure of this name becomes: svg, png or pdf.

    Raises
    ------
    ParameterError
        If the suffix is none of these.
    """
    suffix = Path(path).suffix
    kind = suffix.removeprefix(".").lower()
    if kind not in METADATA:
        got = f"got '{suffix}'" if suffix else "got no suffix"
        raise ParameterError(f"{path}: the name of a figure must end in .svg, .png or .pdf; {got}")
    return kind


def save_figure(figure: Figure, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write a figure to a file, whole or not at all.

    Parameters
    ----------
    figure : Figure
    path : path
        File to write; its suffix, svg, png or pdf, says which kind.
    force : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    ParameterError
        If the suffix is none of these.
    FileExistsAlreadyError
        If the file is there and `force` is not given.
    FileMissingError
        If the folder is missing or cannot be written to.
    """
    kind = figure_format(path)
    with new_file(path, force=force) as place, our_style(), without_glyph_warnings():
        figure.savefig(place, format=kind, dpi=RESOLUTION, metadata=METADATA[kind])
