"""Surveys of targets: delimited text with units in the header, or HDF5 by the NeXus standard.

Text: lines `# key: value` before the header may state carrier, date (ISO 8601 with time zone), temperature (with its
unit), frame (hall or station) and moved (yes or no: on purpose, since the survey before). Then follow the columns
target, x, y, z, and optionally station and the uncertainty: sigma, or sigma_x, sigma_y, sigma_z, with correlation_xy,
correlation_xz, correlation_yz (bare numbers). Delimiters, decimal commas and encodings are those of `files.text`.

NeXus: an NXentry for each survey, with an NXdata whose signal is `position` (N, 3) and whose axes begin with `target`;
`position_errors` (N, 3), or `position_covariance` (N, 3, 3) or (3 N, 3 N); `station`; the attribute `frame`; in the
NXentry `start_time`, `temperature`, `carrier` and `moved` (0 or 1).
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, NoReturn, cast

import h5py
import numpy as np

from ellipsefit.arrays import FloatArray
from ellipsefit.errors import DataError, FileFormatError, ParameterError, UnitError, shown
from ellipsefit.files.apart import read_apart
from ellipsefit.files.damage import field_read
from ellipsefit.files.nexus import (
    new_entry,
    new_group,
    open_nexus,
    read_strings,
    read_text,
    start_root,
    stored_field,
    survey_entries,
    text_attribute,
    type_words,
    write_field,
    write_text,
)
from ellipsefit.files.registry import LINED, file_format, head_columns, is_aside
from ellipsefit.files.safe import new_file, read_bytes
from ellipsefit.files.text.blocks import encodings_of
from ellipsefit.files.text.cells import number, split
from ellipsefit.files.text.decimals import Decimals
from ellipsefit.files.text.faults import Faults
from ellipsefit.files.text.header import DecimalMark, declared_mark
from ellipsefit.files.text.rows import Places
from ellipsefit.place.drift import TemperatureLog
from ellipsefit.place.rigid import block_diagonal
from ellipsefit.place.survey import Survey, SurveyFrame
from ellipsefit.units import parse_quantity, to_si, unit_factor

_AXES: Final = ("x", "y", "z")
_PAIRS: Final = {"correlation_xy": (0, 1), "correlation_xz": (0, 2), "correlation_yz": (1, 2)}
_SIGMAS: Final = ("sigma_x", "sigma_y", "sigma_z")
_EXAMPLE: Final = "'target,x [mm],y [mm],z [mm],sigma [um]'"
_KEY: Final = re.compile(r"#\s*(carrier|date|temperature|frame|moved)\s*[:=]\s*(.*?)\s*", re.IGNORECASE)
_LONGEST_NAME: Final = 100


def read_survey(path: str | os.PathLike[str]) -> Survey:
    """The one survey that a file holds.

    Raises
    ------
    FileMissingError
        If it cannot be opened.
    FileFormatError
        For the first fault, or if it holds several surveys.
    """
    surveys = read_surveys(path)
    if len(surveys) > 1:
        raise FileFormatError(f"{path}: holds {len(surveys)} surveys; expected one")
    return surveys[0]


def read_surveys(paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]]) -> tuple[Survey, ...]:
    """Surveys from one file or several: text (one each) or NeXus HDF5 (any number).

    Returns
    -------
    tuple of Survey
        In the order of the files, and in them; SI units.

    Raises
    ------
    FileMissingError
        If a file cannot be opened.
    FileFormatError
        For the first fault; the text names file, line or field, and what was expected.
    """
    files = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    found: list[Survey] = []
    for file in files:
        kind = file_format(file)
        if kind in LINED:
            raise FileFormatError(f"{file}: is a file of heights ({kind.upper()}); expected a survey as text or HDF5")
        found += _nexus_surveys(file) if kind == "hdf5" else [_text_survey(file)]
    return tuple(found)


def read_temperatures(path: str | os.PathLike[str]) -> TemperatureLog:
    """Temperatures of a hall from delimited text with the columns date (ISO 8601) and temperature (with its unit).

    Raises
    ------
    FileMissingError
        If it cannot be opened.
    FileFormatError
        For the first fault; the text names file, line and what was expected.
    """
    file = _Text(path)
    rows = [place for place, line in enumerate(file.lines) if line.strip() and not is_aside(line)]
    example = "'date,temperature [degC]'"
    if not rows:
        file.stop(None, f"holds only comments; expected a header such as {example} and readings")
    mark, columns = head_columns(file.lines[rows[0]])
    names = [name for name, _ in columns]
    if not {"date", "temperature"} <= set(names):
        file.stop(rows[0], f"no columns date and temperature; expected a header such as {example}")
    place_of, unit = names.index("temperature"), columns[names.index("temperature")][1]
    try:
        factor, offset = unit_factor(unit or "", "temperature")
    except UnitError:
        file.stop(rows[0], f"column 'temperature' has the unit [{unit}]; expected such as 'temperature [degC]'")
    time, temperature = [], []
    for place in rows[1:]:
        cells = [cell.strip() for cell in split(file.lines[place], mark)]
        if len(cells) != len(columns):
            file.stop(place, f"expected {len(columns)} columns as in the header; got {len(cells)}")
        try:
            time.append(_when(cells[names.index("date")]).timestamp())
        except ValueError:
            file.stop(place, f"column 'date': got {shown(cells[names.index('date')])}; expected ISO 8601")
        value = number(cells[place_of].replace(",", ".") if mark != "," else cells[place_of])
        if value is None:
            file.stop(place, f"column 'temperature': expected a number; got '{cells[place_of][:40]}'")
        if not math.isfinite(value):
            file.stop(place, f"column 'temperature' is {cells[place_of]}; expected a finite number")
        temperature.append(value * factor + offset)
    try:
        return TemperatureLog(time=np.array(time), temperature=np.array(temperature))
    except ParameterError as error:
        raise FileFormatError(f"{path}: {error}") from None


class _Text:
    """One text file, line by line."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = path
        data = read_bytes(path)
        if not data.strip(b"\xef\xbb\xbf \t\r\n"):
            raise FileFormatError(f"{path}: is empty; expected a survey with a header such as {_EXAMPLE}")
        encodings = encodings_of(data, path, "a survey")
        for encoding in encodings:
            with suppress(UnicodeDecodeError):
                text = data.removeprefix(encoding.mark).decode(encoding.codec)
                break
        else:
            raise FileFormatError(f"{path}: is no text in {encodings[-1].name}; expected a survey as UTF-8 text")
        self.faults = Faults(path)
        self.lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")

    @property
    def declared(self) -> DecimalMark | None:
        """The decimal mark that a line declares."""
        return next((mark for line in self.lines if (mark := declared_mark(line))), None)

    def settle(self, decimals: Decimals) -> None:
        """Stop where it is not known what commas mean."""
        decimals.settled(self.faults)
        if self.faults:
            raise FileFormatError(self.faults.sentences()[0])

    def stop(self, line: int | None, text: str) -> NoReturn:
        where = "" if line is None else f", line {line + 1}"
        raise FileFormatError(f"{self.path}{where}: {text}")


def _text_survey(path: str | os.PathLike[str]) -> Survey:
    file = _Text(path)
    stated: dict[str, tuple[int, str]] = {}
    rows: list[int] = []
    for place, line in enumerate(file.lines):
        if not line.strip():
            continue
        if line.lstrip().startswith("#"):
            match = _KEY.fullmatch(line.strip())
            if match:
                key = match[1].casefold()
                if key in stated:
                    file.stop(place, f"states the {key} again; expected it once")
                stated[key] = (place, match[2])
        elif not is_aside(line):
            rows.append(place)
    if not rows:
        file.stop(None, f"holds only comments; expected a header such as {_EXAMPLE} and numbers")
    mark, columns = head_columns(file.lines[rows[0]])
    names = [name for name, _ in columns]
    _checkhead_columns(file, rows[0], columns)
    if len(rows) == 1:
        file.stop(rows[0], "no numbers follow the header; expected one row for each target")
    cells = []
    for place in rows[1:]:
        row = split(file.lines[place], mark)
        if len(row) != len(columns):
            wide = mark == "," and len(row) > len(columns)
            hint = " (with a decimal comma, separate the columns by semicolons or tabs)" if wide else ""
            file.stop(place, f"expected {len(columns)} columns as in the header; got {len(row)}{hint}")
        cells.append([cell.strip() for cell in row])

    decimals = Decimals(file.declared)
    places = Places(len(cells), rows[1:])

    def numbers(name: str, kind: str | None) -> FloatArray:
        column = names.index(name)
        written = [row[column] for row in cells]
        if mark != "," and any("," in cell for cell in written):
            decimals.note_commas(name, written, places, file.faults)
        elif any("." in cell for cell in written):
            decimals.note_point(name)
        factor, offset = (1.0, 0.0) if kind is None else unit_factor(columns[column][1] or "", kind)
        found = np.empty(len(cells))
        for place, row in enumerate(cells):
            value = number(row[column].replace(",", ".") if mark != "," else row[column])
            if value is None:
                file.stop(rows[1 + place], f"column '{name}': expected a number; got '{row[column][:40]}'")
            if not math.isfinite(value):
                file.stop(rows[1 + place], f"column '{name}' is {row[column]}; expected a finite number")
            found[place] = to_si(value, factor) + offset
        return found

    def texts(name: str) -> tuple[str, ...]:
        column = names.index(name)
        for place, row in enumerate(cells):
            if not 0 < len(row[column]) <= _LONGEST_NAME:
                file.stop(rows[1 + place], f"column '{name}': expected a name of 1 to {_LONGEST_NAME} characters")
        return tuple(row[column] for row in cells)

    coordinates = np.column_stack([numbers(axis, "length") for axis in _AXES])
    covariance = None
    if "sigma" in names or set(_SIGMAS) <= set(names):
        one = numbers("sigma", "length") if "sigma" in names else None
        sigma = np.column_stack([one] * 3 if one is not None else [numbers(name, "length") for name in _SIGMAS])
        wrong = np.argwhere(~(sigma > 0))
        if len(wrong):
            file.stop(rows[1 + int(wrong[0][0])], "expected standard uncertainties above 0")
        matrix = np.tile(np.eye(3), (len(cells), 1, 1))
        for name, (i, j) in _PAIRS.items():
            if name in names:
                values = numbers(name, None)
                beyond = np.flatnonzero(~(np.abs(values) < 1))
                if len(beyond):
                    file.stop(rows[1 + int(beyond[0])], f"column '{name}': expected a number between -1 and 1")
                matrix[:, i, j] = matrix[:, j, i] = values
        covariance = block_diagonal(sigma[:, :, None] * matrix * sigma[:, None, :])
    temperature = None
    if "temperature" in names:
        temperature = float(np.mean(numbers("temperature", "temperature")))
    elif "temperature" in stated:
        place, text = stated["temperature"]
        try:
            temperature = parse_quantity(text, "temperature")
        except UnitError as error:
            file.stop(place, f"temperature: {error}")
    file.settle(decimals)
    try:
        return Survey(
            name=Path(path).name,
            points=texts("target"),
            stations=texts("station") if "station" in names else (),
            coordinates=coordinates,
            covariance=covariance,
            frame=_frame(file, stated),
            temperature=temperature,
            time=_date(file, stated),
            carrier=stated["carrier"][1] or None if "carrier" in stated else None,
            moved=_moved(file, stated),
        )
    except ParameterError as error:
        text = str(error)
        raise FileFormatError(f"{path}{text.removeprefix(Path(path).name)}") from None


def _checkhead_columns(file: _Text, place: int, columns: Sequence[tuple[str, str | None]]) -> None:
    names = [name for name, _ in columns]
    line = file.lines[place]
    if not {"target", *_AXES} & set(names):
        also = " (this looks like a TOML file)" if re.fullmatch(r"\s*(\[.*\]|[\w.-]+\s*=.*)", line) else ""
        file.stop(place, f"no header row; expected columns such as {_EXAMPLE}; got '{line.strip()[:60]}'{also}")
    for name in names:
        if name and names.count(name) > 1:
            file.stop(place, f"column '{name}' stands {names.count(name)} times in the header; expected once")
    for name in ("target", *_AXES):
        if name not in names:
            file.stop(place, f"no column '{name}'; expected columns such as {_EXAMPLE}")
    some = [name for name in _SIGMAS if name in names]
    if some and ("sigma" in names or len(some) < 3):
        file.stop(
            place,
            f"has {', '.join(name for name in ('sigma', *some) if name in names)}; "
            f"expected sigma, or all of {', '.join(_SIGMAS)}",
        )
    if set(_PAIRS) & set(names) and not (some or "sigma" in names):
        file.stop(place, "has correlations without uncertainties; expected sigma, or sigma_x, sigma_y, sigma_z")
    for name, unit in columns:
        if name in (*_AXES, "sigma", *_SIGMAS, "temperature"):
            kind = "temperature" if name == "temperature" else "length"
            example = "degC" if kind == "temperature" else "um" if name.startswith("sigma") else "mm"
            if not unit:
                file.stop(place, f"column '{name}' has no unit; expected such as '{name} [{example}]'")
            try:
                unit_factor(unit, kind)
            except UnitError:
                file.stop(
                    place,
                    f"column '{name}' has the unit [{unit}]; expected a unit of {kind}, such as '{name} [{example}]'",
                )
        elif unit and name in ("target", "station", *_PAIRS):
            file.stop(place, f"column '{name}' has the unit [{unit}]; expected none")


def _frame(file: _Text, stated: dict[str, tuple[int, str]]) -> SurveyFrame:
    if "frame" not in stated:
        return "hall"
    place, text = stated["frame"]
    if text not in ("hall", "station"):
        file.stop(place, f"frame: got '{text}'; expected hall or station")
    return cast("SurveyFrame", text)


def _moved(file: _Text, stated: dict[str, tuple[int, str]]) -> bool:
    if "moved" not in stated:
        return False
    place, text = stated["moved"]
    if text not in ("yes", "no"):
        file.stop(place, f"moved: got '{text}'; expected yes or no")
    return text == "yes"


def _date(file: _Text, stated: dict[str, tuple[int, str]]) -> datetime | None:
    if "date" not in stated:
        return None
    place, text = stated["date"]
    try:
        return _when(text)
    except ValueError:
        file.stop(place, f"date: got {shown(text)}; expected ISO 8601 such as 2026-04-14 or 2026-04-14T09:30+02:00")


def _when(text: str) -> datetime:
    """Date and time; without a zone it is UTC."""
    when = datetime.fromisoformat(text)
    return when if when.tzinfo is not None else when.replace(tzinfo=UTC)


# NeXus


@read_apart
def _nexus_surveys(path: str | os.PathLike[str]) -> list[Survey]:
    with open_nexus(path) as file:
        entries = survey_entries(file)
        if not entries:
            raise FileFormatError(
                f"{path}: holds no survey; expected an NXdata with the signal 'position' in an NXentry"
            )
        return [_nexus_survey(path, file[entry], file[entry][data], entry, len(entries)) for entry, data in entries]


def _field(path: str | os.PathLike[str], group: Any, name: str, kind: str, power: int = 1) -> FloatArray:
    where = f"{path}: '{group.name}/{name}'"
    item = stored_field(path, group, name)
    if item is None:
        raise FileFormatError(f"{where} is missing; expected numbers with the attribute 'units'")
    if item.dtype.kind not in "fiu":
        raise FileFormatError(f"{where} holds {type_words(item.dtype)}; expected numbers")
    unit = text_attribute(item, "units")
    if unit is None:
        raise FileFormatError(f"{where} has no attribute 'units'; expected a unit of {kind}")
    match = re.fullmatch(r"\(?(.+?)\)?\s*(?:\^|\*\*)?\s*2", unit) if power == 2 else None
    if power == 2 and match is None:
        raise FileFormatError(f"{where} has the units '{unit}'; expected the square of a length, such as 'm^2'")
    try:
        factor, offset = unit_factor(match[1] if match else unit, kind)
    except UnitError as error:
        raise FileFormatError(f"{where}: {error}") from None
    with field_read(item.id):
        values = np.asarray(item[()], dtype=np.float64) * factor**power + offset
    if not np.isfinite(values).all():
        raise FileFormatError(f"{where} holds values that are not finite; expected finite numbers")
    return values


def _moved_field(path: str | os.PathLike[str], entry: Any) -> bool:
    item = stored_field(path, entry, "moved")
    if item is None:
        return False
    if item.dtype.kind not in "biu" or item.size != 1:
        raise FileFormatError(f"{path}: '{entry.name}/moved' is no single whole number; expected 0 or 1")
    return bool(np.any(item[()]))


def _nexus_survey(path: str | os.PathLike[str], entry: Any, data: Any, name: str, count: int) -> Survey:
    position = _field(path, data, "position", "length")
    targets = tuple(str(item) for item in read_strings(path, data, "target"))
    if position.ndim != 2 or position.shape != (len(targets), 3):
        raise FileFormatError(
            f"{path}: '{data.name}/position' has the shape {position.shape}; expected ({len(targets)}, 3), x, y and z "
            "of each target"
        )
    covariance = None
    if "position_covariance" in data:
        found = _field(path, data, "position_covariance", "length", 2)
        if found.shape == (len(targets), 3, 3):
            covariance = block_diagonal(found)
        elif found.shape == (3 * len(targets), 3 * len(targets)):
            covariance = found
        else:
            raise FileFormatError(
                f"{path}: '{data.name}/position_covariance' has the shape {found.shape}; expected "
                f"({len(targets)}, 3, 3) or ({3 * len(targets)}, {3 * len(targets)})"
            )
    elif "position_errors" in data:
        sigma = _field(path, data, "position_errors", "length")
        if sigma.shape != position.shape:
            raise FileFormatError(
                f"{path}: '{data.name}/position_errors' has the shape {sigma.shape}; expected {position.shape}"
            )
        covariance = np.diag(sigma.ravel() ** 2)
    frame = text_attribute(data, "frame") or "hall"
    if frame not in ("hall", "station"):
        raise FileFormatError(f"{path}: '{data.name}' has the frame {frame[:40]!r}; expected hall or station")
    temperature = None
    if "temperature" in entry:
        temperature = float(np.mean(_field(path, entry, "temperature", "temperature")))
    time = read_text(path, entry, "start_time")
    try:
        when = None if time is None else _when(time)
    except ValueError:
        raise FileFormatError(f"{path}: '{entry.name}/start_time' is {shown(time)}; expected ISO 8601") from None
    label = Path(path).name if count == 1 else f"{Path(path).name}:{name}"
    try:
        return Survey(
            name=label,
            points=targets,
            stations=tuple(str(item) for item in read_strings(path, data, "station")) if "station" in data else (),
            coordinates=position,
            covariance=covariance,
            frame=cast("SurveyFrame", frame),
            temperature=temperature,
            time=when,
            carrier=read_text(path, entry, "carrier"),
            moved=_moved_field(path, entry),
        )
    except (ParameterError, DataError) as error:
        raise FileFormatError(f"{path}: {str(error).removeprefix(f'{Path(path).name}: ')}") from None


# writing


def write_survey(survey: Survey, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write a survey as text; with correlations between points, or the suffix .h5, as NeXus HDF5.

    Raises
    ------
    ParameterError
        If text can't hold its covariance.
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    if Path(path).suffix.casefold() in (".h5", ".hdf5", ".nxs"):
        write_surveys([survey], path, force=force)
        return
    text = survey_text(survey)
    with new_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def survey_text(survey: Survey) -> str:
    """Survey as the text of its file, to a nanometre."""
    lines = []
    if survey.carrier is not None:
        lines.append(f"# carrier: {survey.carrier}")
    if survey.time is not None:
        lines.append(f"# date: {survey.time.isoformat(timespec='minutes')}")
    if survey.temperature is not None:
        lines.append(f"# temperature: {survey.temperature - 273.15:.4f} degC")
    lines.append(f"# frame: {survey.frame}")
    if survey.moved:
        lines.append("# moved: yes")
    stations = any(survey.stations)
    head = ["target", *(["station"] if stations else []), "x [mm]", "y [mm]", "z [mm]"]
    blocks = None
    if survey.covariance is not None:
        count = len(survey.points)
        blocks = np.array([survey.covariance[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] for i in range(count)])
        if not np.array_equal(block_diagonal(blocks), survey.covariance):
            raise ParameterError(f"{survey.name}: points are correlated, which text can't tell; expected a name in .h5")
        head += [f"{name} [um]" for name in _SIGMAS]
    crossed = blocks is not None and any(blocks[:, i, j].any() for i, j in _PAIRS.values())
    head += list(_PAIRS) if crossed else []
    lines.append(",".join(head))
    for place, (point, station) in enumerate(zip(survey.points, survey.stations, strict=True)):
        cells = [point, *([station] if stations else [])]
        cells += [f"{value * 1e3:.6f}" for value in survey.coordinates[place]]
        if blocks is not None:
            size = np.sqrt(np.diag(blocks[place]))
            cells += [f"{value * 1e6:.4g}" for value in size]
            if crossed:
                cells += [f"{blocks[place, i, j] / size[i] / size[j]:.6f}" for i, j in _PAIRS.values()]
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


def write_surveys(surveys: Sequence[Survey], path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write surveys as HDF5 by the NeXus standard, one NXentry each.

    Raises
    ------
    FileExistsAlreadyError, FileMissingError
        As `ellipsefit.files.safe.new_file` says.
    """
    with new_file(path, force=force) as temporary, h5py.File(temporary, "w", track_order=True) as file:
        start_root(file, default="survey_1")
        for number, survey in enumerate(surveys, 1):
            entry = new_entry(file, f"survey_{number}", title=survey.name, default="targets")
            if survey.time is not None:
                write_text(entry, "start_time", survey.time.isoformat(timespec="seconds"))
            if survey.carrier is not None:
                write_text(entry, "carrier", survey.carrier)
            if survey.temperature is not None:
                write_field(entry, "temperature", survey.temperature, units="K")
            if survey.moved:
                write_field(entry, "moved", 1)
            data = new_group(entry, "targets", "NXdata")
            data.attrs["signal"] = "position"
            data.attrs["axes"] = ["target", "."]
            data.attrs["target_indices"] = 0
            data.attrs["frame"] = survey.frame
            write_field(data, "target", np.array(survey.points, dtype=np.str_))
            if any(survey.stations):
                write_field(data, "station", np.array(survey.stations, dtype=np.str_))
            write_field(data, "position", survey.coordinates, units="m")
            if survey.covariance is not None:
                count = len(survey.points)
                sigma = np.sqrt(np.diag(survey.covariance)).reshape(count, 3)
                write_field(data, "position_errors", sigma, units="m")
                if not np.array_equal(np.diag(np.diag(survey.covariance)), survey.covariance):
                    write_field(data, "position_covariance", survey.covariance, units="m^2")
