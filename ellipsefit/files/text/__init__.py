"""Profiles and scans as delimited text: comments, one header row with units, then numbers.

What labs send is understood where it can mean one thing only: encodings, delimiters, decimal commas, spellings of
units, a row of units below the header, lines before and after the table, columns in any order. Where it can mean two
things, or a unit is missing, that is a fault. A file is read block by block, and only columns in use are parsed.

Downhill: `blocks` makes lines of bytes, `header` finds the one that names the `columns`, `meaning` says what they
promise, `rows` gives the lines of the table, `table` their numbers (`decimals`: what a comma means), `measured` the
profile or scan. What is wrong on the way is gathered in `faults`. `reading` goes the whole way, `writing` back.
"""

from __future__ import annotations

from ellipsefit.files.text.header import looks_like_toml
from ellipsefit.files.text.meaning import Wanted
from ellipsefit.files.text.reading import (
    TextContent,
    examine_text,
    read_text_measured,
    read_text_profile,
    read_text_scan,
)
from ellipsefit.files.text.writing import VALUE_ROUNDING, X_ROUNDING, write_text_profile, write_text_scan

__all__ = [
    "VALUE_ROUNDING",
    "X_ROUNDING",
    "TextContent",
    "Wanted",
    "examine_text",
    "looks_like_toml",
    "read_text_measured",
    "read_text_profile",
    "read_text_scan",
    "write_text_profile",
    "write_text_scan",
]
