"""Every error that ellipsefit raises on purpose, each also a case of a built-in."""

from __future__ import annotations

import unicodedata


class EllipsefitError(Exception):
    """Base of all errors whose text is meant for the user: one sentence, no traceback needed."""

    def __str__(self) -> str:
        """The sentence in one line: what it cites from a file may hold anything."""
        return one_line(super().__str__())


def one_line(text: str) -> str:
    r"""Text with what would break the line, or steer a terminal, as its escape sequence.

    Examples
    --------
    >>> one_line("got 'a\u2028b', 5 µm")
    "got 'a\\u2028b', 5 µm"
    """
    if text.isprintable():
        return text
    shown = (c if c.isprintable() or unicodedata.category(c) == "Zs" else ascii(c)[1:-1] for c in text)
    return "".join(shown)


class ParameterError(EllipsefitError, ValueError):
    """An argument is out of range, has the wrong shape or contradicts another."""


class UnitError(EllipsefitError, ValueError):
    """A quantity has no unit, an unknown one or one of the wrong dimension."""


class FileFormatError(EllipsefitError, ValueError):
    """A file is not what it should be; the text names the file and the line or key."""


class FileMissingError(EllipsefitError, FileNotFoundError):
    """A file that should be read is not there or cannot be opened."""


class FileExistsAlreadyError(EllipsefitError, FileExistsError):
    """A file would be overwritten that nobody asked to overwrite."""


class FileBusyError(EllipsefitError, BlockingIOError):
    """A file that should be written is being written by another process."""


class DataError(EllipsefitError, ValueError):
    """The measured data contradict the mirror file or do not suffice."""


class MissingExtraError(EllipsefitError, ImportError):
    """A library that only some need is not installed."""


def shown(value: object) -> str:
    """What was got, for a sentence: on one line and not too long."""
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:56]} ..."
