"""Mutated command lines over all commands: one line or a result, and inputs stay as they are."""

import argparse
import importlib
import random

import pytest

from echotrace.cli import _COMMANDS, main
from fuzz.campaign import DETAILS, GIVEN, LONG, SEED, Judge, clear, make_inputs, partials

GOOD = [
    ["import", "a.npy", "-o", "out.h5", *DETAILS],
    ["inspect", "r.h5"],
    ["inspect", "r.h5", "--json"],
    ["measure", "r.h5", "-o", "out.csv", "-o", "out.h5", "--reject", "1=why"],
    ["measure", "r.h5", "--write-settings", "out.toml"],
    ["measure", "r.h5", "--settings", "set.toml", "--json"],
    ["measure", "r.h5", "--resume", "-o", "out.h5"],
    ["synth", "s.toml", "-o", "out.h5", "--count", "2", "--seed", "1"],
    ["compare", "s.csv", "--margin", "0.1", "-o", "out.csv"],
    ["compare", "s.csv", "--json", "--confidence", "0.9"],
    ["power", *GIVEN],
    ["power", *GIVEN, "--json", "--age", "70", "--steps", "1"],
]
HOSTILE = [
    "", " ", "-", "--", "---", "³", "٣", "1_0", "0x1", "1e5", "1e308", "-1e308", "1e-320", "nan",
    "inf", "-inf", "-1", "0", "9" * 5000, "1" + "0" * 400, "x" * 100_000, "$x$", "=1+1", "\x1b[31m",
    "\n", "a\nb", "\u202e", "\udce9", "r.h5", "./r.h5", "s.csv", "s.toml", "set.toml", "a.npy",
    "/dev/null", "/dev/full", "/dev/stdout", ".", "..", "/", "/no/such/x.h5", "none.h5", "none.csv",
    "n" * 300 + ".h5", "out.txt", "out.html", "out.h5", "out", "out.h5/", "right=1", "left=-1",
    "up=3", "1=", "=x", "1=x", "99=x", "³=x", "srk_t=", "srk_t=nan", "haigis=1,2", "none", "True",
    "0.5", "1", "2", "23.5",
]  # fmt: skip
# Numbers of traces or threads that would be honest work for hours.
SLOW = {"--count", "--workers"}


def options():
    """Every option of every command."""
    found = {}
    for name, module in _COMMANDS.items():
        parser = argparse.ArgumentParser()
        importlib.import_module(f"echotrace.commands.{module}").add_arguments(parser)
        found[name] = [word for action in parser._actions for word in action.option_strings]
    return found


def mutated(draw, known):
    words = list(draw.choice(GOOD))
    for _ in range(draw.choice((1, 1, 2, 3))):
        at = draw.randrange(1, len(words) + 1)
        hostile = draw.choice(HOSTILE)
        option = draw.choice(known[words[0]]) if words and words[0] in known else "--x"
        way = draw.randrange(7)
        if way == 0 and at < len(words):
            words[at] = hostile
        elif way == 1:
            words.insert(at, hostile)
        elif way == 2 and len(words) > 1:
            del words[min(at, len(words) - 1)]
        elif way == 3:
            words[at:at] = [option, hostile]
        elif way == 4:
            words.insert(at, f"{option}={hostile}")
        elif way == 5 and at < len(words):
            words[at] = words[at][: len(words[at]) // 2] + draw.choice(HOSTILE)[:20]
        else:
            words.insert(at, option)
    return ["1" if k and words[k - 1] in SLOW and word.isdecimal() and len(word) < 12 else word
            for k, word in enumerate(words)]  # fmt: skip


@pytest.mark.compiled
def test_mutated_command_lines(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    make_inputs(tmp_path)
    inputs = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    draw, known, judge = random.Random(SEED), options(), Judge()
    for words in GOOD:
        assert main(words) in (0, 1), words
        clear(tmp_path, inputs)
    capsys.readouterr()
    for _ in range(6000 if LONG else 300):
        words = mutated(draw, known)
        try:
            code = main(words)
        except BaseException as error:
            judge.fail("exception", f"{error!r}: {[word[:60] for word in words]}")
            continue
        out, err = capsys.readouterr()
        judge.exit(code, err, words)
        if code == 2 and out and "--help" not in words and "-h" not in words and words:
            judge.fail("output beside the error", f"{words}: {out[:200]!r}")
        for name, before in inputs.items():
            if (tmp_path / name).read_bytes() != before:
                judge.fail("input changed", f"{name}: {words}")
                (tmp_path / name).write_bytes(before)
        if partials(tmp_path):
            judge.fail("partial file left", str(words))
        for path in tmp_path.iterdir():
            if path.name not in inputs and path.is_file():
                judge.whole(path, words)
        clear(tmp_path, inputs)
    with capsys.disabled():
        judge.verdict()
