"""Every error that ellipsefit raises on purpose, each also a case of a built-in."""

from __future__ import annotations


class EllipsefitError(Exception):
    """Base of all errors whose text is meant for the user: one sentence, no traceback needed."""


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
