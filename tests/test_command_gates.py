"""What holds for every command: where output goes, how it stops, what a bad surrounding does."""

import json
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from closed_form import eye_traces, recording_of

from echotrace.cli import main
from echotrace.commands.arguments import CommandParser
from echotrace.errors import FileFormatError, ParameterError
from echotrace.files.atomic import atomic_target, check_outputs, save_text
from echotrace.files.native import write_recording

POSIX = pytest.mark.skipif(os.name != "posix", reason="signals and limits of POSIX systems")
DETAILS = [
    "--sampling-rate-mhz", "100", "--start-delay-us", "0", "--signal", "rf", "--method",
    "immersion", "--eye", "left", "--lens-state", "phakic", "--centre-frequency-mhz", "10",
]  # fmt: skip
GIVEN = [
    "--axial-length-mm", "23.5", "--axial-length-u-mm", "0.03", "--eye", "right", "--k1", "43.5",
    "--k2", "44", "--constant", "srk_t=118.4", "--target", "0", "--history", "none",
]  # fmt: skip
LENGTHS = "subject,eye,method,operator,sitting,order,axial_length_mm\n" + "".join(
    f"S{k},right,{method},A,1,{n},{23 + 0.3 * k + longer * (1 + k % 3) + 0.02 * n}\n"
    for k in range(6)
    for method, longer in (("contact", 0.0), ("immersion", 0.1))
    for n in range(3)
)
LEARNERS = {
    "answers.csv": "learner,date,exercise,case,answer\nT1,2026-03-02,e,1,accept\n",
    "key.csv": "exercise,case,cause,retina_us,vitreous_speed_mm_per_us\ne,1,tilt,44.1,1.532\n",
    "results.csv": ",".join(
        ["learner,date,exercise,n"]
        + [
            name + part
            for name in ("hit_rate", "false_alarm_rate", "d_prime", "criterion", "kappa")
            for part in ("", "_low", "_high")
        ]
    )
    + "\nT1,2026-03-02,e,4"
    + ",0.5" * 15
    + "\n",
}
SCENARIO = "scans = 3\n[hold]\nalignments = 2\n"


def process(*words, **how):
    return subprocess.run(
        [sys.executable, "-m", "echotrace.cli", *(os.fspath(word) for word in words)],
        capture_output=True, check=False, **how,
    )  # fmt: skip


def one_line(done, code=2):
    """The line a process leaves when it fails as it should."""
    text = done.stderr.decode("utf-8", "replace")
    assert done.returncode == code, text
    assert text.count("\n") == 1, text
    assert "Traceback" not in text
    return text


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_recording(recording_of(eye_traces(3)), "r.h5")
    Path("s.csv").write_text(LENGTHS)
    Path("s.toml").write_text(SCENARIO)
    np.save("a.npy", (eye_traces(2) * 1000).astype(np.int16))
    Path("set.toml").write_text("")
    for name, text in LEARNERS.items():
        Path(name).write_text(text)
    return tmp_path


# --- where output may be written -----------------------------------------------------------------

WRITING = {
    "import": ["import", "a.npy", "-o", "{out}.h5", *DETAILS],
    "measure table": ["measure", "r.h5", "-o", "{out}.csv"],
    "measure file": ["measure", "r.h5", "-o", "{out}.h5"],
    "measure page": ["measure", "r.h5", "--report", "{out}.html"],
    "measure settings": ["measure", "r.h5", "--write-settings", "{out}.toml"],
    "streamed": ["measure", "r.h5", "--resume", "-o", "{out}.h5"],
    "draw": ["draw", "r.h5", "-o", "{out}.png"],
    "synth": ["synth", "s.toml", "-o", "{out}.h5"],
    "compare table": ["compare", "s.csv", "-o", "{out}.csv"],
    "compare page": ["compare", "s.csv", "--report", "{out}.html"],
    "compare figure": ["compare", "s.csv", "--figure", "{out}.svg"],
    "power page": ["power", *GIVEN, "--report", "{out}.html"],
    "teach score": ["teach", "score", "answers.csv", "--key", "key.csv", "-o", "{out}.csv"],
    "teach results": ["teach", "results", "results.csv", "-o", "{out}.png"],
}


def words_of(case, out):
    return [word.format(out=out) for word in WRITING[case]]


def written(case, out):
    return Path(next(word for word in words_of(case, out) if word.startswith(f"{out}.")))


@pytest.mark.parametrize("case", WRITING)
def test_an_existing_file_is_replaced_only_when_told_to(place, case, capsys):
    target = written(case, "out")
    target.write_bytes(b"precious")
    assert main(words_of(case, "out")) == 2
    assert "exists already; give --overwrite" in capsys.readouterr().err
    assert target.read_bytes() == b"precious"


@pytest.mark.parametrize("case", WRITING)
def test_the_ending_decides_or_is_refused(place, case, capsys):
    words = [w.replace(written(case, "out").suffix, ".odd") for w in words_of(case, "out")]
    words = [w if w.endswith(".odd") and w.startswith("out") else o
             for w, o in zip(words, words_of(case, "out"), strict=True)]  # fmt: skip
    assert main(words) == 2
    err = capsys.readouterr().err
    assert "out.odd" in err
    assert err.count("\n") == 1
    assert not list(place.glob("out*"))


@POSIX
@pytest.mark.parametrize("case", WRITING)
@pytest.mark.parametrize("kind", ["pipe", "device", "folder"])
def test_only_ordinary_files_are_written(place, case, kind, capsys):
    if (case, kind) == ("synth", "folder"):
        pytest.skip("synth writes into folders")
    target = written(case, "out")
    if kind == "pipe":
        os.mkfifo(target)
    elif kind == "device":
        target.symlink_to("/dev/null")
    else:
        target.mkdir()
    before = target.stat()
    assert main([*words_of(case, "out"), "--overwrite"]) == 2
    assert "folder" in (err := capsys.readouterr().err) or "device or a pipe" in err
    assert err.count("\n") == 1
    after = target.stat()
    assert (after.st_ino, after.st_mode) == (before.st_ino, before.st_mode)


SAME = {
    "compare table": (["compare", "s.csv", "-o", "{}"], "s.csv", ".csv"),
    "measure result": (["measure", "r.h5", "-o", "{}"], "r.h5", ".h5"),
    "streamed": (["measure", "r.h5", "--resume", "-o", "{}"], "r.h5", ".h5"),
    "written settings": (
        ["measure", "--settings", "set.toml", "--write-settings", "{}"], "set.toml", ".toml"
    ),
    "imported": (["import", "i.h5", "-o", "{}", *DETAILS], "i.h5", ".h5"),
}  # fmt: skip


@pytest.mark.parametrize("case", SAME)
@pytest.mark.parametrize("way", ["itself", "relative", "absolute", "link", "second name"])
def test_no_output_may_be_an_input(place, case, way, capsys):
    words, source, suffix = SAME[case]
    if source == "i.h5":
        Path("i.h5").write_bytes(b"anything")
    before = Path(source).read_bytes()
    name = {
        "itself": source, "relative": f"../{place.name}/./{source}",
        "absolute": str(place / source), "link": f"link{suffix}", "second name": f"hard{suffix}",
    }[way]  # fmt: skip
    if way == "link":
        Path(name).symlink_to(source)
    if way == "second name":
        os.link(source, name)
    assert main([*(word.format(name) for word in words), "--overwrite"]) == 2
    assert "would overwrite the input" in capsys.readouterr().err
    assert Path(source).read_bytes() == before


def test_outputs_are_checked_against_one_another(place, capsys):
    assert main(["measure", "r.h5", "-o", "x.csv", "-o", "./x.csv"]) == 2
    assert "written twice" in capsys.readouterr().err
    with pytest.raises(ParameterError, match="would overwrite the input"):
        check_outputs(["s.csv"], ["./s.csv"], overwrite=True)
    with pytest.raises(FileFormatError, match="is a file, not a folder"):
        check_outputs(["s.csv/x.csv"])
    with pytest.raises(FileFormatError, match="cannot be written"):
        check_outputs(["x" * 300 + ".csv"])
    check_outputs(["new.csv"], ["s.csv"])


def test_a_table_s_schema_is_an_output_too(place, capsys):
    Path("t.schema.json").write_text("mine")
    assert main(["measure", "r.h5", "-o", "t.csv"]) == 2
    assert "t.schema.json: exists already" in capsys.readouterr().err
    assert Path("t.schema.json").read_text() == "mine"


def test_two_scenarios_of_one_name_are_refused(place, capsys):
    Path("other").mkdir()
    Path("other/s.toml").write_text(SCENARIO)
    Path("made").mkdir()
    assert main(["synth", "s.toml", "other/s.toml", "-o", "made"]) == 2
    assert "written twice" in capsys.readouterr().err


def test_synth_asks_the_disk_first(place, capsys):
    begun = time.monotonic()
    assert main(["synth", "s.toml", "-o", "big.h5", "--count", "999999999999"]) == 2
    assert "GB free" in capsys.readouterr().err
    assert time.monotonic() - begun < 30
    assert not list(place.glob("*big*"))


def test_what_dead_processes_left_is_swept_and_nothing_else(tmp_path):
    script = (
        "import os, sys; from echotrace.files.atomic import atomic_target\n"
        "with atomic_target(sys.argv[1]) as partial:\n"
        "    partial.write_text('half'); print(partial, flush=True)\n"
        "    input() if len(sys.argv) > 2 else os._exit(9)\n"
    )
    target = tmp_path / "x.txt"
    dead = subprocess.run(
        [sys.executable, "-c", script, str(target)], capture_output=True, text=True, check=False
    ).stdout.strip()
    assert Path(dead).exists()
    foreign = tmp_path / ".echotrace-00000000-1-0123456789abcdef.partial"
    foreign.write_text("of another machine")
    with subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "y.txt"), "wait"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as live:  # fmt: skip
        alive = live.stdout.readline().strip()
        save_text(target, "whole")
        assert not Path(dead).exists()
        assert Path(alive).exists()
        assert foreign.exists()
        live.communicate("\n", timeout=60)
    assert (tmp_path / "y.txt").read_text() == "half"
    assert target.read_text() == "whole"


def test_a_device_is_refused_by_the_writer_itself(tmp_path):
    (tmp_path / "null").symlink_to("/dev/null")
    with pytest.raises(FileFormatError, match="device"), atomic_target(tmp_path / "null"):
        pass


# --- signals -------------------------------------------------------------------------------------

STOPS = """
import os, signal, sys, time
from echotrace.cli import main
from echotrace.synthesis import Synthesis
how, number = sys.argv[1], int(sys.argv[2])
for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    signal.signal(n, signal.default_int_handler)
original = Synthesis.block
class Signals:
    def __del__(self):
        os.kill(os.getpid(), number)
def block(self, start, stop):
    made = original(self, start, stop)
    if start >= 64:
        if how == "lost": Signals(); time.sleep(30)
        if how == "deaf":
            try: os.kill(os.getpid(), number); time.sleep(1)
            except KeyboardInterrupt: time.sleep(30)
        if how == "changed":
            try: os.kill(os.getpid(), number); time.sleep(1)
            except KeyboardInterrupt: raise ValueError("made of it on its way")
        os.kill(os.getpid(), number)
    return made
Synthesis.block = block
sys.exit(main(["synth", "s.toml", "-o", "out.h5", "--count", "200", "--overwrite"]))
"""


@POSIX
@pytest.mark.compiled
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("how", ["heard", "lost", "changed", "deaf"])
def test_a_signal_ends_the_run_and_leaves_nothing_half(tmp_path, name, how):
    """Heard, raised inside a destructor (where Python loses it), made another, or swallowed."""
    if how == "deaf" and name != "SIGTERM":
        pytest.skip("one signal will do for what takes seconds")
    (tmp_path / "s.toml").write_text(SCENARIO)
    (tmp_path / "out.h5").write_bytes(b"what was there before")
    number = getattr(signal, name)
    done = subprocess.run(
        [sys.executable, "-c", STOPS, how, str(int(number))],
        capture_output=True, check=False, cwd=tmp_path, timeout=120,
    )  # fmt: skip
    assert f"stopped by {name}" in one_line(done, 128 + number)
    assert (tmp_path / "out.h5").read_bytes() == b"what was there before"
    assert sorted(item.name for item in tmp_path.iterdir()) == ["out.h5", "s.toml"]


EDGES = """
import atexit, os, signal, sys, time
from echotrace import cli
when, number = sys.argv[1], int(sys.argv[2])
for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    signal.signal(n, signal.default_int_handler if n == signal.SIGINT else signal.SIG_DFL)
def plain_streams(begin=cli.plain_streams):
    os.kill(os.getpid(), number)
    time.sleep(1)
if when == "first":
    cli.plain_streams = plain_streams
else:
    atexit.register(os.kill, os.getpid(), number)
sys.argv = ["echotrace", *sys.argv[3:]]
sys.exit(cli.main())
"""


@POSIX
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_at_either_edge_of_the_program(name):
    """At the first statement it ends the run; when all is done it comes too late."""
    number = int(getattr(signal, name))
    words = [sys.executable, "-c", EDGES, "first", str(number), "power", *GIVEN]
    done = subprocess.run(words, capture_output=True, check=False, timeout=120)
    assert one_line(done, 128 + number) == f"echotrace power: stopped by {name}\n"
    for wanted, given in ((0, ["power", *GIVEN]), (2, ["power"])):
        words = [sys.executable, "-c", EDGES, "last", str(number), *given]
        done = subprocess.run(words, capture_output=True, check=False, timeout=120)
        assert done.returncode == wanted
        assert b"stopped" not in done.stderr
        assert b"Traceback" not in done.stderr


# --- surroundings --------------------------------------------------------------------------------


@POSIX
@pytest.mark.parametrize(
    "words",
    [["--help"], ["measure", "--help"], ["inspect", "r.h5"], ["power", *GIVEN], ["--version"]],
)  # fmt: skip
def test_a_full_standard_output_is_one_line(place, words):
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "echotrace.cli", *words],
            stdout=full, stderr=subprocess.PIPE, check=False,
        )  # fmt: skip
    assert "No space left" in one_line(done)


@POSIX
@pytest.mark.parametrize("words", [["--help"], ["compare", "--help"], ["inspect", "r.h5"]])
def test_a_closed_pipe_ends_quietly(place, words):
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "wb") as pipe:
        done = subprocess.run(
            [sys.executable, "-m", "echotrace.cli", *words],
            stdout=pipe, stderr=subprocess.PIPE, check=False,
        )  # fmt: skip
    assert done.returncode == 0
    assert done.stderr == b""


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1", "utf-8"])
@pytest.mark.parametrize(
    "words",
    [["--help"], ["compare", "--help"], ["compare", "s.csv", "--margin", "0.1"],
     ["compare", "s.csv", "--json"], ["power", *GIVEN], ["measure", "--help"]],
)  # fmt: skip
def test_output_streams_of_any_encoding(place, words, encoding):
    done = process(*words, env={**os.environ, "PYTHONIOENCODING": encoding})
    assert done.returncode in (0, 1), done.stderr
    assert b"Traceback" not in done.stderr
    text = done.stdout.decode(encoding)
    if "--json" in words:
        assert "caution" in json.loads(text)


@POSIX
def test_names_that_are_no_utf8(place):
    odd = os.fsencode(str(place)) + b"/b\xe9d.h5"
    os.link("r.h5", odd)
    done = process("inspect", os.fsdecode(odd))
    assert done.returncode == 0, done.stderr
    assert b"b\\xe9d.h5" in done.stdout
    done = process("measure", b"n\xe9xt.h5")
    assert "n\\xe9xt.h5" in one_line(done)
    done = process("measure", "r.h5", "--reject", b"1=\xff\xfe", "-o", "t.csv", "--json")
    assert done.returncode in (0, 1, 2), done.stderr
    assert b"Traceback" not in done.stderr


@POSIX
@pytest.mark.parametrize("case", WRITING)
def test_names_of_300_characters(place, case, capsys):
    assert main(words_of(case, "x" * 300)) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "too long" in err
    assert len(err) < 1000


@POSIX
@pytest.mark.compiled
@pytest.mark.parametrize("limit", [0, 20_000, 60_000])
@pytest.mark.parametrize("case", ["import", "measure file", "streamed", "synth", "compare figure"])
def test_a_file_size_limit_is_one_line_and_leaves_all_as_it_was(place, case, limit):
    before = {path.name: path.read_bytes() for path in place.iterdir()}

    def limited():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    words = words_of(case, "out")
    if case == "synth":
        words += ["--count", "100"]
    done = process(*words, preexec_fn=limited)
    if done.returncode in (0, 1):
        assert limit  # A small result may fit.
        return
    assert "out." in one_line(done)
    assert {p.name: p.read_bytes() for p in place.iterdir() if p.is_file()} == before


@POSIX
@pytest.mark.compiled
@pytest.mark.parametrize("limit", [1, 10**9])
def test_a_disk_without_room_for_machine_code_does_not_cost_the_result(tmp_path, limit):
    code = (
        "import numpy as np; from echotrace.kernels.extremes import extremes\n"
        f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))\n"
        "print(extremes(np.array([1, 3, 2, 5], np.int16)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False,
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "5" in done.stdout
    assert bool([p for p in tmp_path.rglob("*.nbc") if p.stat().st_size]) is (limit > 1)


# --- command lines -------------------------------------------------------------------------------

BAD = [
    ["measure", "r.h5", "--workers", "³"],
    ["measure", "r.h5", "--workers", "9" * 5000],
    ["measure", "r.h5", "--workers=--"],
    ["measure", "r.h5", "--reject", "³=x"],
    ["measure", "r.h5", "--reject", "9" * 5000 + "=x"],
    ["measure", "r.h5", "--reject", "x" * 100_000],
    ["measure", "r.h5", "--settings=--"],
    ["measure", "r.h5", "-o--"],
    ["synth", "s.toml", "-o", "x.h5", "--seed", "-1"],
    ["synth", "s.toml", "-o", "x.h5", "--seed", "9" * 5000],
    ["synth", "s.toml", "-o", "x.h5", "--count", "1e3"],
    ["power", *GIVEN, "--k-u", "1e308"],
    ["power", *GIVEN, "--k-u", "nan"],
    ["power", *GIVEN, "--age", "inf"],
    ["power", *GIVEN, "--earlier-mm", "1e308"],
    ["power", *GIVEN, "--earlier-mm=--"],
    ["power", *GIVEN, "--constant", "srk_t=" + "9" * 5000],
    ["power", *GIVEN, "--steps", "99999999"],
    ["compare", "s.csv", "--margin", "1e308"],
    ["compare", "s.csv", "--confidence", "nan"],
    ["compare", "s.csv", "--seed", "-1"],
    ["compare", "s.csv", "--margin", "0.1", "--margin-dioptre", "1"],
    ["compare"],
    ["x" * 100_000],
    ["measure", "--nonsense"],
    ["measure", "y" * 100_000],
]


@pytest.mark.parametrize("words", BAD, ids=[str(k) for k in range(len(BAD))])
def test_bad_command_lines_are_one_short_line(place, words, capsys):
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("echotrace")
    assert "usage" not in err
    assert "unexpected" not in err
    assert len(err) < 1000


def test_a_complaint_of_the_parser_says_where_help_is():
    parser = CommandParser(prog="echotrace x")
    parser.add_argument("name")
    with pytest.raises(ParameterError, match="arguments are required: name; see echotrace x"):
        parser.read([])


def test_an_unforeseen_error_is_one_line_that_says_so(place, monkeypatch, capsys):
    from echotrace.commands import inspect

    monkeypatch.setattr(inspect, "_pairs", lambda _: {}["nothing"])
    assert main(["inspect", "r.h5"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "unexpected KeyError" in err
    monkeypatch.setenv("ECHOTRACE_TRACEBACK", "1")
    with pytest.raises(KeyError):
        main(["inspect", "r.h5"])
