"""What belongs to the process and not to a command: streams, signals, and how it ends."""

from __future__ import annotations

import codecs
import os
import signal
import sys
import threading
import unicodedata
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

from echotrace.errors import EchotraceWarning
from echotrace.text_out import json_text, visible

__all__ = [
    "Stopped",
    "close_output",
    "complain",
    "drop_output",
    "is_own_process",
    "notes_for",
    "own_process",
    "plain_streams",
    "say",
    "say_json",
    "stoppable",
]

# How long the clearing up after a signal may take before the process is ended without it.
_GRACE_S = 2.0
_MOST_SAID = 700

# What takes the place of signs that an output's encoding lacks.
_PLAIN = str.maketrans(
    {"−": "-", "–": "-", "—": "-", "…": "...", "±": "+/-", "°": " deg", "µ": "u", "≥": ">=",
     "≤": "<=", "×": "x", "·": ".", "†": "+", "∞": "inf", "‘": "'", "’": "'", "“": '"', "”": '"',
     "√": "sqrt", "→": "->"}
)  # fmt: skip


class Stopped(KeyboardInterrupt):
    """The process was told to stop.

    Attributes
    ----------
    number : int
        Of the signal.
    """

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


_OWN: list[bool] = []


def own_process() -> None:
    """Note that the process was started for one command and ends with it.

    Examples
    --------
    >>> own_process()  # doctest: +SKIP
    """
    _OWN.append(True)


def is_own_process() -> bool:
    """Whether the process was started for one command; not where Python code calls ``main``.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_own_process()
    False
    """
    return bool(_OWN)


# --- streams -------------------------------------------------------------------------------------


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Write what an encoding lacks in signs that every encoding has."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    found = ""
    for sign in error.object[error.start : error.end]:
        if 0xDC80 <= ord(sign) <= 0xDCFF:  # A byte of a file name that is no UTF-8.
            found += f"\\x{ord(sign) - 0xDC00:02x}"
            continue
        text = unicodedata.normalize("NFKD", sign.translate(_PLAIN))
        found += "".join(c for c in text if " " <= c <= "~") or "?"
    return found, error.end


def plain_streams() -> None:
    """Let text reach a terminal or pipe of any encoding, rather than end in an error.

    Examples
    --------
    >>> plain_streams()  # doctest: +SKIP
    """
    codecs.register_error("echotrace_plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            with suppress(OSError, ValueError):
                stream.reconfigure(errors="echotrace_plain")


def say(text: str) -> None:
    r"""Print text; what a name in it could tell a terminal to do is written out instead.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> say("demo\x1b[31m")
    demo\x1b[31m
    """
    print(visible(text))


def say_json(value: Any) -> None:
    """Print valid JSON that the output's encoding can hold.

    Parameters
    ----------
    value
        Of plain values.

    Examples
    --------
    >>> say_json({"n": 1})
    {
      "n": 1
    }
    """
    print(json_text(value, getattr(sys.stdout, "encoding", None)))


def complain(prefix: str, text: str) -> None:
    """Print one line to the standard error: no control characters, no hundred kilobytes.

    Parameters
    ----------
    prefix : str
        The command.
    text : str

    Examples
    --------
    >>> complain("echotrace measure", "a file is missing")
    """
    line = visible(" ".join(text.split()))
    if len(line) > _MOST_SAID:
        line = f"{line[: _MOST_SAID * 2 // 3]} … {line[-_MOST_SAID // 3 :]}"
    with suppress(OSError, ValueError):
        print(f"{prefix}: {line}", file=sys.stderr, flush=True)


def close_output() -> None:
    """Push what was printed out, so that a full disk or a closed pipe shows now.

    Raises
    ------
    OSError
        The output cannot be written.

    Examples
    --------
    >>> close_output()
    """
    if sys.stdout is not None:
        sys.stdout.flush()


def drop_output() -> None:
    """Let what could not be written go, or the interpreter complains of it when it ends.

    Examples
    --------
    >>> drop_output()  # doctest: +SKIP
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError, AttributeError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


@contextmanager
def notes_for(prefix: str) -> Iterator[None]:
    """Print our own warnings as one line each; those of libraries are not for users.

    Parameters
    ----------
    prefix : str
        The command.

    Returns
    -------
    context manager

    Examples
    --------
    >>> with notes_for("echotrace measure"):
    ...     pass
    """
    if sys.warnoptions:
        yield
        return
    with warnings.catch_warnings():

        def show(message: Warning | str, category: type[Warning], *_: Any, **__: Any) -> None:
            if issubclass(category, EchotraceWarning):
                complain(prefix, f"note: {message}")

        warnings.simplefilter("ignore")
        warnings.simplefilter("always", EchotraceWarning)
        warnings.showwarning = show
        yield


# --- signals -------------------------------------------------------------------------------------


def _numbers() -> list[int]:
    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGXCPU")
    return [int(getattr(signal, name)) for name in names if hasattr(signal, name)]


def _clear_up() -> None:
    # Nothing is half written by a process that has not loaded what writes.
    atomic = sys.modules.get("echotrace.files.atomic")
    if atomic is not None:
        atomic.remove_partial_files()


class _Watch:
    """Ends the process if a signal's exception is swallowed or the clearing up hangs.

    Python loses an exception that is raised inside a destructor or a weak reference's callback
    (h5py runs many of both), and a handler waits for a call into C to return. So the signal's
    number is also written to a pipe, on whose other end a thread waits.
    """

    def __init__(self, prefix: str) -> None:
        self.asked = 0
        self._prefix = prefix
        self._over = threading.Event()
        self._lost = threading.Event()
        self._read, self._write = os.pipe()
        os.set_blocking(self._write, False)
        # An ignored signal (a job in the background) stays ignored.
        found = {number: signal.getsignal(number) for number in _numbers()}
        self._before = {n: handler for n, handler in found.items() if handler != signal.SIG_IGN}
        self._before_fd = -1
        self._hook = sys.unraisablehook
        self._thread = threading.Thread(target=self._wait, daemon=True, name="echotrace-stop")
        self._thread.start()

    def begin(self) -> None:
        self._before_fd = signal.set_wakeup_fd(self._write, warn_on_full_buffer=False)
        sys.unraisablehook = self._unraisable
        for number in self._before:
            signal.signal(number, self._ask)

    def _ask(self, number: int, frame: FrameType | None) -> None:
        del frame
        if self.asked or self._over.is_set():
            return  # It is being done, or comes too late.
        self.asked = number
        raise Stopped(number)

    def _unraisable(self, what: Any) -> None:
        if isinstance(what.exc_value, KeyboardInterrupt):
            self._lost.set()
        else:
            self._hook(what)

    def _wait(self) -> None:
        while True:
            try:
                told = os.read(self._read, 1)
            except OSError:
                return
            if not told or self._over.is_set():
                return
            if told[0] in self._before:
                break
        # Time for the exception to clear up; less where it is known to be lost.
        for _ in range(int(_GRACE_S / 0.05)):
            if self._over.wait(0.05):
                return
            if self._lost.is_set():
                break
        _clear_up()
        complain(self._prefix, f"stopped by {signal.Signals(told[0]).name}")
        os._exit(128 + told[0])

    def end(self) -> None:
        self._over.set()
        for number, handler in self._before.items():
            # A process that ends here has written all: a request to stop comes too late.
            signal.signal(number, signal.SIG_IGN if is_own_process() else handler)
        signal.set_wakeup_fd(self._before_fd)
        sys.unraisablehook = self._hook
        os.close(self._write)
        self._thread.join(1.0)
        os.close(self._read)


@contextmanager
def stoppable(prefix: str) -> Iterator[None]:
    """Turn the signals that ask a process to stop into :class:`Stopped`, and see that it happens.

    Whatever becomes of the exception, the half-written files of the process are removed and it
    ends. After the block the signals are as before it, or ignored where the process ends with it
    (:func:`own_process`). Outside the main thread signals are not ours to handle.

    Parameters
    ----------
    prefix : str
        The command.

    Returns
    -------
    context manager

    Raises
    ------
    Stopped
        Inside the block, or at its end where the exception was swallowed on its way or came out
        as another one.

    Examples
    --------
    >>> with stoppable("echotrace measure"):
    ...     pass
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    watch = _Watch(prefix)
    try:
        watch.begin()
        yield
        if watch.asked:
            raise Stopped(watch.asked)
    except BaseException as error:
        if not watch.asked:
            raise
        _clear_up()
        # What was called when the signal came may have made another exception of it.
        stop = error if isinstance(error, Stopped) else Stopped(watch.asked)
        if stop is not error:
            for note in getattr(error, "__notes__", ()):
                stop.add_note(note)
        raise stop from None
    finally:
        watch.end()
