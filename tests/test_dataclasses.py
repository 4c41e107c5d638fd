"""What every dataclass of the package keeps: nothing in it is changed once made, and arrays are never compared."""

from __future__ import annotations

import dataclasses
import importlib
import pkgutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import ellipsefit

ARRAYS = ("FloatArray", "IntArray", "BoolArray", "ndarray")
ROOMS = ("ellipse", "fit", "align")


def declared() -> Iterator[type]:
    """Dataclasses of the rooms whose results go from step to step."""
    for info in pkgutil.walk_packages([str(Path(ellipsefit.__file__).parent)], "ellipsefit."):
        if info.name.split(".")[1] in ROOMS:
            module = importlib.import_module(info.name)
            yield from (
                found
                for found in vars(module).values()
                if isinstance(found, type) and dataclasses.is_dataclass(found) and found.__module__ == info.name
            )


CLASSES = list(declared())


def test_all_are_found() -> None:
    assert len(CLASSES) > 60
    assert {"Ellipse", "EllipseFit", "CorrectionPlan", "Comparison"} <= {found.__name__ for found in CLASSES}


@pytest.mark.parametrize("found", CLASSES, ids=lambda found: f"{found.__module__.split('.', 1)[1]}.{found.__name__}")
def test_a_dataclass_is_frozen_and_one_that_holds_arrays_is_equal_to_itself_alone(found: type) -> None:
    """Arrays have no truth value: comparing two such objects field by field would raise."""
    blank: Any = object.__new__(found)
    fields = dataclasses.fields(found)
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(blank, fields[0].name if fields else "anything", None)
    if any(word in str(field.type) for field in fields for word in ARRAYS):
        assert "__eq__" not in vars(found)
        assert hash(blank) == hash(blank)
