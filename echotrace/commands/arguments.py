"""How commands declare what they read, write and count, so that one place can check all of it."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn

from echotrace.errors import ParameterError
from echotrace.files.atomic import check_outputs
from echotrace.user_input import number, shorten, whole_number

__all__ = [
    "CommandParser",
    "InputFile",
    "PAGES",
    "PICTURES",
    "OutputFile",
    "add_output",
    "add_overwrite",
    "add_toml",
    "check_files",
    "floating",
    "integer",
]

# "--" ends the options; argparse makes an empty list of it where it stands for a value.
_NO_VALUE = re.compile(r"--[\w-]+=--|-\w--")


class InputFile(argparse.Action):
    """An argument that names a file to be read: no output may be that file."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> None:
        """Keep the name, and remember that it is read."""
        del parser, option_string
        setattr(namespace, self.dest, values)
        _remember(namespace, "files_read", values)


class OutputFile(argparse.Action):
    """An argument that names a file to be written; its ending decides the format.

    Parameters
    ----------
    suffixes : sequence of str
        Endings that are allowed, with their points.
    repeatable : bool
        The option may be given several times and makes a list.
    """

    def __init__(
        self, *args: Any, suffixes: Sequence[str] = (), repeatable: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.suffixes = tuple(suffixes)
        self.repeatable = repeatable

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> None:
        """Keep the name, check its ending, and remember that it is written."""
        del parser
        path = Path(str(values))
        if self.suffixes and path.suffix.lower() not in self.suffixes:
            raise ParameterError(
                f"{option_string} {path}: the ending says what is written; use "
                f"{' or '.join(self.suffixes)}"
            )
        if self.repeatable:
            setattr(namespace, self.dest, [*getattr(namespace, self.dest), values])
        else:
            setattr(namespace, self.dest, values)
        _remember(namespace, "files_written", values)


def _remember(namespace: argparse.Namespace, name: str, values: Any) -> None:
    if values is None:
        return
    known = getattr(namespace, name, ())
    more = values if isinstance(values, list | tuple) else (values,)
    setattr(namespace, name, (*known, *(Path(item) for item in more)))


def add_overwrite(parser: Any) -> None:
    """Add ``--overwrite``, which means the same in every command.

    Parameters
    ----------
    parser : argparse.ArgumentParser

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_overwrite(parser)
    >>> parser.parse_args(["--overwrite"]).overwrite
    True
    """
    parser.add_argument("--overwrite", action="store_true", help="replace files that exist already")


PICTURES = (".png", ".pdf", ".svg")
PAGES = (".html", ".htm")


def add_output(
    parser: Any, *names: str, suffixes: Sequence[str], metavar: str = "FILE", **more: Any
) -> None:
    """Add an option that names a file to be written.

    Parameters
    ----------
    parser : argparse.ArgumentParser
    *names : str
        As ``-o``, ``--output``.
    suffixes : sequence of str
        Endings that are allowed: one of a kind of file, or :data:`PICTURES`, :data:`PAGES`.
    metavar : str
        What the help calls the file.
    **more
        As for ``add_argument``; and ``repeatable``.

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_output(parser, "--figure", suffixes=PICTURES, help="draw it")
    >>> parser.parse_args(["--figure", "one.svg"]).figure.name
    'one.svg'
    """
    parser.add_argument(
        *names, metavar=metavar, type=Path, action=OutputFile, suffixes=suffixes, **more
    )


def add_toml(parser: Any, option: str, what: str) -> None:
    """Add an option that names a TOML file to be read.

    Parameters
    ----------
    parser : argparse.ArgumentParser
    option : str
        As ``--settings``.
    what : str
        Its line of help.

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_toml(parser, "--settings", "read settings")
    >>> parser.parse_args(["--settings", "mine.toml"]).settings.name
    'mine.toml'
    """
    parser.add_argument(option, metavar="FILE.toml", type=Path, action=InputFile, help=what)


def with_companions(paths: Sequence[Path]) -> list[Path]:
    """Outputs and what is written beside them: a table has its schema."""
    found = list(paths)
    if any(path.suffix.lower() == ".csv" for path in paths):
        from echotrace.files.table import schema_path

        found += [schema_path(path) for path in paths if path.suffix.lower() == ".csv"]
    return found


def check_files(args: argparse.Namespace) -> None:
    """Refuse outputs that are inputs, exist already or cannot be written, before the work.

    Parameters
    ----------
    args : argparse.Namespace
        As :class:`InputFile` and :class:`OutputFile` left it.

    Examples
    --------
    >>> check_files(argparse.Namespace())
    """
    check_outputs(
        with_companions(getattr(args, "files_written", ())),
        getattr(args, "files_read", ()),
        overwrite=getattr(args, "overwrite", False),
    )


def floating(
    low: float = -math.inf, high: float = math.inf, unit: str = "", *, above: bool = False
) -> Callable[[str], float]:
    """The ``type=`` of an argument that is a number within limits.

    Parameters
    ----------
    low, high : float
        Limits.
    unit : str
        For the message.
    above : bool
        The lower limit itself is refused.

    Returns
    -------
    callable
        From the text to the number.

    Examples
    --------
    >>> floating(0.0, 1.0)("0.6")
    0.6
    """

    def read(text: str) -> float:
        try:
            return number(text, low=low, high=high, unit=unit, above=above)
        except ParameterError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return read


def integer(low: int | None = None, high: int | None = None) -> Callable[[str], int]:
    """The ``type=`` of an argument that is a whole number within limits.

    Parameters
    ----------
    low, high : int, optional
        Limits.

    Returns
    -------
    callable
        From the text to the number.

    Examples
    --------
    >>> integer(1)("12")
    12
    """

    def read(text: str) -> int:
        try:
            return whole_number(text, low=low, high=high)
        except ParameterError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return read


class CommandParser(argparse.ArgumentParser):
    """A parser whose every complaint is one :class:`ParameterError`, without the usage before."""

    def error(self, message: str) -> NoReturn:
        """Raise what is wrong with the command line."""
        words = [shorten(word, 80) for word in message.removeprefix("argument ").split(" ")]
        raise ParameterError(f"{' '.join(words)}; see {self.prog} --help")

    def print_help(self, file: Any = None) -> None:
        """Print the help; unlike argparse, let a full disk or a closed pipe show."""
        print(self.format_help(), file=file)

    def read(self, arguments: Sequence[str]) -> argparse.Namespace:
        """Parse a command line.

        Raises
        ------
        ParameterError
            With what is wrong, in one line.
        """
        for item in arguments:
            if item == "--":
                break
            if _NO_VALUE.fullmatch(item):
                raise ParameterError(f"{item}: '--' is no value; it only ends the options")
        return self.parse_args(list(arguments))
