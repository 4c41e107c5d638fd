"""Reading in a process apart: HDF5 is C and trusts its files, so a damaged one may end whoever reads it.

The child is forked, which costs milliseconds, has limits of memory and processor time, and sends what was read, or the
error, through a pipe. Where a process cannot be forked, a fresh interpreter does the same and takes longer to start.
"""

from __future__ import annotations

import contextlib
import faulthandler
import gc
import os
import pickle
import signal
import subprocess
import sys
import traceback
import warnings
from collections.abc import Callable
from functools import partial, wraps
from importlib import import_module
from io import BufferedReader
from pathlib import Path
from typing import Any, BinaryIO, Concatenate, Final, NoReturn, ParamSpec, Protocol, TypeVar, cast

import numpy as np

from ellipsefit.errors import EllipsefitError, FileFormatError

P = ParamSpec("P")
T = TypeVar("T")
Path_ = str | os.PathLike[str]

#: Memory besides what the process holds already [bytes], and for each byte of the file, which may be compressed.
MEMORY: Final = 1_000_000_000
MEMORY_PER_BYTE: Final = 100
#: Processor time [s], and bytes of a file that are read in a second at the least.
TIME: Final = 4
SPEED: Final = 4_000_000

# the system libraries of macOS are not made to be forked
_forks = hasattr(os, "fork") and sys.platform != "darwin"
_apart = False  # whether this process is such a child already


def read_apart(read: Callable[Concatenate[Path_, P], T]) -> Callable[Concatenate[Path_, P], T]:
    """Let a function of a module, which reads a file and returns what can be pickled, do so in a process apart.

    It raises what the function raises, and a `FileFormatError` if the process dies of the file, does not come to an
    end, or needs more memory than a file of that size should.
    """

    @wraps(read)
    def apart(path: Path_, /, *args: P.args, **kwargs: P.kwargs) -> T:
        if _apart:
            return read(path, *args, **kwargs)
        size = _size(path)
        try:
            if _forks:
                child: _Child = _Forked(partial(read, path, *args, **kwargs), path, size)
            else:
                child = _started(read.__module__, read.__qualname__, (path, args, kwargs, size))
        except OSError:  # the system gives no further process
            return read(path, *args, **kwargs)
        try:
            with child.stdout as stream:
                good, value = _receive(stream)
        except (EOFError, pickle.UnpicklingError):
            raise FileFormatError(_epitaph(path, child.wait())) from None
        except BaseException:
            child.kill()
            raise
        finally:
            child.wait()
        if not good:
            raise value
        return cast("T", value)

    return apart


def _size(path: Path_) -> int:
    try:
        return Path(path).stat().st_size
    except (OSError, ValueError):
        return 0  # the reader says what is wrong


def _epitaph(path: Path_, status: int) -> str:
    what = "HDF5 breaks down over it"
    if status < 0:
        name = signal.Signals(-status).name
        what = "reading it does not come to an end" if name == "SIGXCPU" else f"{what} ({name})"
    return f"{path}: is a damaged HDF5 file: {what}; expected it whole, copy it again"


class _Child(Protocol):
    stdout: BinaryIO

    def kill(self) -> None: ...

    def wait(self) -> int: ...


class _Forked:
    """A child that is forked off, to be used as a `subprocess.Popen`."""

    def __init__(self, work: Callable[[], object], path: Path_, size: int) -> None:
        coming, going = os.pipe()
        try:
            with warnings.catch_warnings():
                # of other threads the child needs nothing: h5py sees to its own lock when a process forks
                warnings.simplefilter("ignore", DeprecationWarning)
                self.pid = os.fork()
        except OSError:
            os.close(coming)
            os.close(going)
            raise
        if not self.pid:
            _serve(work, path, size, going)
        os.close(going)
        self.stdout: BinaryIO = os.fdopen(coming, "rb")
        self.returncode: int | None = None

    def kill(self) -> None:
        """End it, if it has not ended."""
        if self.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> int:
        """See it out; its status, as that of a Popen."""
        if self.returncode is None:
            self.returncode = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        return self.returncode


def _started(module: str, name: str, call: tuple[Path_, tuple[Any, ...], dict[str, Any], int]) -> _Child:
    """A fresh interpreter that does the same."""
    code = f"import sys; sys.path[:] = {sys.path!r}; from {__name__} import serve; serve({module!r}, {name!r})"
    child = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    with cast("BinaryIO", child.stdin) as told:
        pickle.dump(call, told)
    return cast("_Child", child)


def serve(module: str, name: str) -> NoReturn:
    """What the fresh interpreter does."""
    path, args, kwargs, size = pickle.load(sys.stdin.buffer)
    read = getattr(import_module(module), name)
    _serve(partial(read, path, *args, **kwargs), path, size, os.dup(1))


def _serve(work: Callable[[], object], path: Path_, size: int, going: int) -> NoReturn:
    """Do the work within limits, send what came of it, and end without a trace."""
    global _apart
    status = 1
    try:
        _apart = True
        gc.disable()  # nothing of the parent's is to be tidied up here
        _hush()
        _confine(size)
        try:
            outcome = (True, work())
        except MemoryError:
            room = MEMORY + MEMORY_PER_BYTE * size
            fault = f"{path}: takes more than {room} bytes of memory to read, in a file of {size}; expected less"
            outcome = (False, FileFormatError(fault))
        except EllipsefitError as error:
            outcome = (False, error)
        except Exception as error:  # noqa: BLE001  raised again by the parent
            error.add_note(f"in a process apart:\n{''.join(traceback.format_exception(error))}")
            outcome = (False, error)
        with os.fdopen(going, "wb") as stream:
            _send(outcome, stream)
        status = 0
    finally:
        os._exit(status)


def _hush() -> None:
    """Nobody hears what the C library says as it breaks down."""
    faulthandler.disable()
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)


def _confine(size: int) -> None:
    try:
        import resource
    except ImportError:  # not on every system
        return
    limits = [(resource.RLIMIT_CORE, 0), (resource.RLIMIT_CPU, TIME + size // SPEED)]
    with contextlib.suppress(OSError):  # only where the system tells what is taken already
        held = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
        limits.append((resource.RLIMIT_AS, held + MEMORY + MEMORY_PER_BYTE * size))
    for kind, wanted in limits:
        soft, hard = resource.getrlimit(kind)
        resource.setrlimit(kind, (wanted if soft == resource.RLIM_INFINITY else min(wanted, soft), hard))


def _send(outcome: tuple[bool, object], stream: BinaryIO) -> None:
    """Arrays go as they lie in memory, before all that refers to them."""
    arrays: list[memoryview] = []
    text = pickle.dumps(outcome, protocol=5, buffer_callback=lambda found: arrays.append(found.raw()))
    pickle.dump([(array.nbytes, array.readonly) for array in arrays], stream)
    for array in arrays:
        stream.write(array)
    stream.write(text)


def _receive(stream: BinaryIO) -> tuple[bool, Any]:
    arrays: list[memoryview] = []
    for size, sealed in pickle.load(stream):
        array = np.empty(size, np.uint8).data
        if cast("BufferedReader", stream).readinto(array) < size:
            raise EOFError
        arrays.append(array.toreadonly() if sealed else array)
    return cast("tuple[bool, Any]", pickle.load(stream, buffers=arrays))
