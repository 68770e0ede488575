"""The command line: finds the command, turns bad input into one line, nothing else.

Each command is one module of :mod:`echotrace.commands` and is imported only when it is called, so
that ``echotrace --help`` answers at once.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from echotrace import __version__
from echotrace.errors import EchotraceError

__all__ = ["main"]

_COMMANDS = {
    "import": "import_",
    "inspect": "inspect",
    "measure": "measure",
    "synth": "synth",
    "compare": "compare",
    "power": "power",
}

_EPILOG = (
    "Not a medical device. Licensed practitioners and local protocols decide; a number that "
    "comes with a warning is not to be used unchecked. Exit codes: 0 done, 1 done but some "
    "sitting has no acceptable result, 2 bad input."
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


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process where it is None.

    Returns
    -------
    int
        0 done, 1 done but some sitting has no acceptable result, 2 bad input.
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    if not arguments or arguments[0] in ("-h", "--help"):
        print(_overview())
        return 0 if arguments else 2
    if arguments[0] == "--version":
        print(f"echotrace {__version__}")
        return 0
    name = arguments[0]
    if name not in _COMMANDS:
        print(f"echotrace: no command {name!r}; there are {', '.join(_COMMANDS)}", file=sys.stderr)
        return 2
    command = importlib.import_module(f"echotrace.commands.{_COMMANDS[name]}")
    parser = argparse.ArgumentParser(
        prog=f"echotrace {name}",
        description=command.SUMMARY,
        epilog=f"Example: {command.EXAMPLE} — {_EPILOG}",
        allow_abbrev=False,
    )
    command.add_arguments(parser)
    try:
        parsed = parser.parse_args(arguments[1:])
    except SystemExit as stop:
        return int(stop.code or 0)
    try:
        return int(command.run(parsed))
    except EchotraceError as error:
        print(f"echotrace {name}: {_one_line(error)}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print(f"echotrace {name}: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (``| head``): leave quietly, and keep the
        # interpreter from complaining when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
