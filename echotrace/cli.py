"""The command line: finds the command, turns bad input into one line, nothing else.

Each command is one module of :mod:`echotrace.commands` and is imported only when it is called, so
that ``echotrace --help`` answers at once.
"""

from __future__ import annotations

import ast
import importlib
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from echotrace import __version__
from echotrace.caution import CAUTION
from echotrace.commands.process import (
    Stopped,
    close_output,
    complain,
    drop_output,
    notes_for,
    own_process,
    plain_streams,
    stoppable,
)
from echotrace.errors import EchotraceError, ParameterError

__all__ = ["main"]

_COMMANDS = {
    "import": "import_",
    "inspect": "inspect",
    "measure": "measure",
    "draw": "draw",
    "synth": "synth",
    "compare": "compare",
    "power": "power",
    "teach": "teach",
    "pickers": "pickers",
    "block": "block",
    "tune": "tune",
    "template": "template",
}

_EPILOG = (
    f"{CAUTION} Exit codes: 0 done, 1 done but some sitting has no acceptable result, 2 bad input, "
    "128 + n stopped by signal n."
)


def _summaries() -> dict[str, tuple[str, str]]:
    """SUMMARY and EXAMPLE of every command, read without importing what the command needs."""
    found = {}
    for name, module in _COMMANDS.items():
        source = (Path(__file__).parent / "commands" / f"{module}.py").read_text("utf-8")
        values = {}
        for node in ast.parse(source).body:
            if isinstance(node, ast.Assign | ast.AnnAssign):
                target = node.targets[0] if isinstance(node, ast.Assign) else node.target
                if isinstance(target, ast.Name) and target.id in ("SUMMARY", "EXAMPLE"):
                    values[target.id] = ast.literal_eval(node.value) if node.value else ""
        found[name] = (values["SUMMARY"], values["EXAMPLE"])
    return found


def _overview() -> str:
    width = max(len(name) for name in _COMMANDS)
    lines = ["usage: echotrace COMMAND [options]", "", "Commands:"]
    for name, (summary, example) in _summaries().items():
        lines += [f"  {name:<{width}}  {summary}", f"  {'':<{width}}    $ {example}"]
    lines += [
        "",
        "  echotrace COMMAND --help shows the options of one command; --version the version.",
        "",
        _EPILOG,
    ]
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process where it is None.

    Returns
    -------
    int
        0 done, 1 done but some sitting has no acceptable result, 2 bad input or a failing disk,
        128 + n stopped by signal n.

    Examples
    --------
    >>> main(["--version"])  # doctest: +ELLIPSIS
    echotrace ...
    0
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    name = arguments[0] if arguments else ""
    prefix = f"echotrace {name}" if name in _COMMANDS else "echotrace"
    try:
        # From the first statement on: a signal may come before the command is found.
        with stoppable(prefix):
            plain_streams()
            if argv is None:
                own_process()
            code = _run(prefix, name, arguments)
            close_output()
    except BrokenPipeError:
        # The reader of our output has gone (``| head``): leave quietly.
        drop_output()
        code = 0
    except KeyboardInterrupt as stop:
        number = stop.number if isinstance(stop, Stopped) else signal.SIGINT
        complain(prefix, f"stopped by {signal.Signals(number).name}{_notes(stop)}")
        code = 128 + number
    except SystemExit as stop:
        code = int(stop.code or 0)
    except EchotraceError as error:
        complain(prefix, str(error))
        code = 2
    except OSError as error:
        complain(prefix, _about(error))
        drop_output()
        code = 2
    except MemoryError:
        complain(prefix, "not enough memory; work on fewer traces at a time")
        code = 2
    except Exception as error:
        if os.environ.get("ECHOTRACE_TRACEBACK"):
            raise
        complain(
            prefix,
            f"unexpected {type(error).__name__}: {error}; this is a fault of echotrace: please "
            "report it with the command (ECHOTRACE_TRACEBACK=1 shows where it happened)",
        )
        code = 2
    return code


def _run(prefix: str, name: str, arguments: list[str]) -> int:
    if not arguments or name in ("-h", "--help"):
        print(_overview())
        return 0 if arguments else 2
    if name == "--version":
        print(f"echotrace {__version__}")
        return 0
    if name not in _COMMANDS:
        from echotrace.user_input import did_you_mean, shorten

        raise ParameterError(
            f"no command {shorten(name)!r}; {did_you_mean(name, _COMMANDS)}there are "
            f"{', '.join(_COMMANDS)}"
        )
    with notes_for(prefix):
        from echotrace.commands.arguments import CommandParser, check_files

        command = importlib.import_module(f"echotrace.commands.{_COMMANDS[name]}")
        parser = CommandParser(
            prog=prefix,
            description=command.SUMMARY,
            epilog=f"Example: {command.EXAMPLE} — {_EPILOG}",
            allow_abbrev=False,
        )
        command.add_arguments(parser)
        args = parser.read(arguments[1:])
        check_files(args)
        return int(command.run(args))


def _notes(error: BaseException) -> str:
    return "".join(f"; {note}" for note in getattr(error, "__notes__", ()))


def _about(error: OSError) -> str:
    what = error.strerror or str(error)
    if error.filename is None:
        return f"output cannot be written ({what})"
    return f"{os.fsdecode(error.filename)}: {what}"


if __name__ == "__main__":
    sys.exit(main())
