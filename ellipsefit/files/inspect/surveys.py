"""Surveys of a carrier's targets."""

from __future__ import annotations

import os

from ellipsefit.errors import FileFormatError
from ellipsefit.files.inspect.content import Fact, FileContent
from ellipsefit.files.inspect.words import celsius, listed
from ellipsefit.files.survey import read_surveys


def inspect_surveys(path: str | os.PathLike[str]) -> FileContent:
    """One survey or several."""
    try:
        surveys = read_surveys(path)
    except FileFormatError as error:
        return FileContent(kind="survey", path=os.fspath(path), faults=(str(error),))
    names = list(dict.fromkeys(name for survey in surveys for name in survey.points))
    dates = sorted(survey.time.isoformat(timespec="minutes") for survey in surveys if survey.time is not None)
    carriers = sorted({survey.carrier for survey in surveys if survey.carrier is not None})
    warm = [survey.temperature for survey in surveys if survey.temperature is not None]
    missing = [
        what
        for what, known in (
            ("date", all(survey.time is not None for survey in surveys)),
            ("temperature", len(warm) == len(surveys)),
            ("uncertainty", all(survey.covariance is not None for survey in surveys)),
        )
        if not known
    ]
    facts = (
        Fact("surveys", str(len(surveys)), len(surveys)),
        Fact("of carrier", ", ".join(carriers) or "not in the file", carriers or None),
        Fact("points", listed(names), names),
        Fact("dates", f"{dates[0]} to {dates[-1]}" if dates else "not in the file", dates or None),
        Fact(
            "temperature",
            celsius(min(warm), max(warm)) if warm else "not in the file",
            [min(warm), max(warm)] if warm else None,
        ),
        Fact("frame", surveys[0].frame, surveys[0].frame),
    )
    warnings = (f"{path}: states no {' and no '.join(missing)}",) if missing else ()
    return FileContent(kind="survey", path=os.fspath(path), facts=facts, warnings=warnings)
