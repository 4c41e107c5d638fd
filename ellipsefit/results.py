"""What every result can do: show itself in a terminal and a notebook, and hand its numbers on."""

from __future__ import annotations

from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np
import numpy.typing as npt

from ellipsefit import rows
from ellipsefit.errors import MissingExtraError, ParameterError
from ellipsefit.rows import Table

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr


class Array(NamedTuple):
    """An array that a result holds, as `to_xarray` names it."""

    name: str
    dimensions: tuple[str, ...]
    values: npt.ArrayLike | None  # None: not known, left out
    unit: str  # SI; empty: none
    meaning: str
    coordinate: bool = False  # where the others are given


class Result:
    """Base of results: they say what they hold, and this shows it.

    A result gives `rows()`, its tables, and `to_dict()`, its machine-readable answer; `table` names the list of that
    answer which is its main table, and `arrays()` gives what is long.
    """

    __slots__ = ()
    table: ClassVar[str | None] = None

    def rows(self) -> list[Table]:
        """Tables of the result, as shown on screens and pages."""
        raise NotImplementedError

    def to_dict(self) -> Any:
        """The machine-readable answer, SI; None for what the data can't tell."""
        raise NotImplementedError

    def arrays(self) -> tuple[Array, ...]:
        """What the result holds in arrays, SI; none by default."""
        return ()

    def _held(self) -> tuple[Array, ...]:
        return tuple(array for array in self.arrays() if array.values is not None)

    def _shown(self) -> list[Table]:
        return self.rows()

    def __str__(self) -> str:
        return rows.as_text(self._shown())

    def _repr_html_(self) -> str:
        return rows.as_html(self._shown())

    def to_dataframe(self, table: str | None = None) -> pd.DataFrame:
        """One table of the result as a data frame, in SI units.

        Parameters
        ----------
        table : str, optional
            Name of a list in `to_dict()`, such as 'segments', or of a dimension of `arrays()`, such as 'point'; by
            default the main table of the result. A result without any gives one row.

        Raises
        ------
        MissingExtraError
            If pandas is not installed.
        ParameterError
            If the result has no such table.
        """
        pandas = _extra("pandas")
        answer = self.to_dict()
        lists = _lists(answer, self.table)
        arrays = self._held()
        dimensions = list(dict.fromkeys(array.dimensions[0] for array in arrays))
        name = table or self.table or (dimensions[0] if dimensions else None)
        if name in lists:
            frame: pd.DataFrame = pandas.json_normalize(lists[name])
            return frame
        if name in dimensions:
            columns = {array.name: array.values for array in arrays if array.dimensions == (name,)}
            whole: pd.DataFrame = pandas.DataFrame(columns)
            return whole
        if name is not None and name != self.table:
            known = ", ".join(f"'{known}'" for known in (*lists, *dimensions) if known) or "none"
            raise ParameterError(f"table: {type(self).__name__} has no '{name}'; expected one of {known}")
        line: pd.DataFrame = pandas.json_normalize([answer])
        return line

    def to_xarray(self) -> xr.Dataset:
        """The arrays of the result as a data set, in SI units, each with `units` and `long_name`.

        Raises
        ------
        MissingExtraError
            If xarray is not installed.
        ParameterError
            If the result holds no arrays.
        """
        arrays = self._held()
        if not arrays:
            raise ParameterError(f"{type(self).__name__} holds no arrays; expected to_dataframe() or to_dict()")
        xarray = _extra("xarray")
        variables = {
            array.name: (
                array.dimensions,
                np.asarray(array.values),
                {"long_name": array.meaning, **({"units": array.unit} if array.unit else {})},
            )
            for array in arrays
        }
        coordinates = [array.name for array in arrays if array.coordinate]
        data: xr.Dataset = xarray.Dataset(variables).set_coords(coordinates)
        return data


def _lists(answer: Any, main: str | None) -> dict[str | None, list[dict[str, Any]]]:
    """Lists of an answer that are tables, by name; None: the answer itself is one."""
    if isinstance(answer, list):
        return {None: answer}
    return {
        name: value
        for name, value in answer.items()
        if isinstance(value, list) and (value or name == main) and all(isinstance(item, dict) for item in value)
    }


def _extra(library: str) -> ModuleType:
    try:
        return import_module(library)
    except ImportError:
        raise MissingExtraError(
            f"{library} is not installed; expected it from python -m pip install 'ellipsefit[{library}]'"
        ) from None
