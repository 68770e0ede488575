"""Kills at random moments, and failing disks and pipes, over all commands that write."""

import contextlib
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from closed_form import eye_traces, recording_of

from echotrace.files.native import read_measurement, write_recording
from fuzz.campaign import DETAILS, GIVEN, LONG, SEED, Judge, make_inputs, partials

pytestmark = [
    pytest.mark.compiled,
    pytest.mark.skipif(os.name != "posix", reason="signals and limits of POSIX systems"),
]

# Says when the program itself has begun: before that a signal meets the bare interpreter. Where
# tests run in the background some signals are ignored, and children would inherit that.
READY = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)
from echotrace import cli
def plain_streams(begin=cli.plain_streams):
    sys.stderr.write("ready\\n")
    sys.stderr.flush()
    begin()
cli.plain_streams = plain_streams
sys.exit(cli.main())
"""
WRITING = {
    "import": (["import", "big.npy", "-o", "out.h5", *DETAILS], ["out.h5"]),
    "measure": (
        ["measure", "r.h5", "-o", "out.csv", "-o", "out.h5", "--report", "out.html"],
        ["out.csv", "out.h5", "out.html", "out.schema.json"],
    ),
    "streamed": (["measure", "long.h5", "--resume", "-o", "out.h5"], ["out.h5"]),
    "synth": (["synth", "s.toml", "-o", "out.h5", "--count", "300"], ["out.h5"]),
    "compare": (
        ["compare", "s.csv", "--report", "out.html", "-o", "out.csv", "--figure", "out.svg"],
        ["out.html", "out.csv", "out.schema.json", "out.svg"],
    ),
    "power": (["power", *GIVEN, "--report", "out.html"], ["out.html"]),
}
FORMER = b"what was there before"


@pytest.fixture
def place(tmp_path):
    make_inputs(tmp_path, 6)
    short = (eye_traces(1)[0, :4096] * 1000).astype(np.int16)
    np.save(tmp_path / "big.npy", np.tile(short, (6000 if LONG else 2000, 1)))
    # More than one part of a long run where that is wanted.
    n = 70_000 if LONG else 3000
    write_recording(recording_of(np.tile(eye_traces(1)[0, :3600], (n, 1))), tmp_path / "long.h5")
    return tmp_path


def begin(folder, words):
    return subprocess.Popen(
        [sys.executable, "-c", READY, *words, "--overwrite"],
        cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip


def plant(folder, names):
    for name in names:
        (folder / name).write_bytes(FORMER)


def check(judge, folder, names, words):
    """Each output is wholly as it was, or wholly new."""
    for name in names:
        if not (folder / name).exists():
            judge.fail("former output lost", f"{name}: {words}")
        elif (folder / name).read_bytes() != FORMER:
            judge.whole(folder / name, words)


def test_kills(place, capsys):
    draw, judge = random.Random(SEED), Judge()
    lasts, wanted = {}, {}
    for name, (words, outputs) in WRITING.items():
        plant(place, outputs)
        with begin(place, words) as run:
            assert run.stderr.readline() == b"ready\n"
            begun = time.monotonic()
            _, err = run.communicate(timeout=600)
        assert run.returncode in (0, 1), (name, err)
        lasts[name] = time.monotonic() - begun
        if name == "streamed":
            wanted[name] = read_measurement(place / "out.h5").axial_length_mm
        assert not partials(place)
    killed, wanted_kills = 0, 300 if LONG else 12
    for _ in range(4 * wanted_kills):
        if killed == wanted_kills:
            break
        name = draw.choice(list(WRITING))
        words, outputs = WRITING[name]
        number = draw.choice((signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGKILL))
        plant(place, outputs)
        with begin(place, words) as run:
            run.stderr.readline()
            begun = time.monotonic()
            with contextlib.suppress(subprocess.TimeoutExpired):
                run.wait(draw.uniform(0.0, lasts[name]))
                # The first run may have been slow: the next ones are killed while they last.
                lasts[name] = min(lasts[name], time.monotonic() - begun)
            run.send_signal(number)
            try:
                _, err = run.communicate(timeout=60)
            except subprocess.TimeoutExpired:
                run.kill()
                _, err = run.communicate()
                judge.fail("does not end", f"{name} {number!r}")
        err = err.decode("utf-8", "replace")
        ended = 128 + run.returncode * -1 if run.returncode == -signal.SIGKILL else run.returncode
        what = [name, number.name]
        killed += ended >= 128
        judge.exit(ended, err, what, allowed=(0, 1, 128 + number))
        if ended == 128 + number and number != signal.SIGKILL:
            if err.count("\n") != 1 or f"stopped by {number.name}" not in err:
                judge.fail("not one line", f"{what}: {err!r}")
            if partials(place):
                judge.fail("partial file left", str(what))
        check(judge, place, outputs, what)
        if name == "streamed" and ended >= 128:
            with begin(place, words) as run:
                _, err = run.communicate(timeout=600)
            if run.returncode not in (0, 1):
                judge.fail("cannot resume", f"{what}: {err!r}")
            elif not np.array_equal(
                read_measurement(place / "out.h5").axial_length_mm, wanted[name], equal_nan=True
            ):
                judge.fail("resumed run differs", str(what))
            if (place / "out.h5.parts").exists():
                judge.fail("parts left", str(what))
        # What a SIGKILL left is swept by the next run that writes there.
        if partials(place):
            with begin(place, WRITING["power"][0]) as run:
                run.communicate(timeout=600)
            if [p for p in partials(place) if p.parent == place]:
                judge.fail("stale partial files stay", str(what))
    assert killed == wanted_kills
    with capsys.disabled():
        judge.verdict()


def test_failing_surroundings(place, capsys):
    """A file size limit, a full or closed standard output, an odd encoding: one line each."""
    draw, judge = random.Random(SEED + 1), Judge()
    before = {p.name: p.stat().st_size for p in place.iterdir()}
    for _ in range(150 if LONG else 8):
        name = draw.choice(list(WRITING))
        words, outputs = WRITING[name]
        plant(place, outputs)
        how = draw.choice(("limit", "limit", "full", "closed", "encoding"))
        environment, out, limit = dict(os.environ), subprocess.DEVNULL, None
        if how == "limit":
            size = int(10 ** draw.uniform(0, 6.5))

            def limit(size=size):
                resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
        elif how == "full":
            out = os.open("/dev/full", os.O_WRONLY)
        elif how == "closed":
            read, out = os.pipe()
            os.close(read)
        else:
            environment["PYTHONIOENCODING"] = draw.choice(("ascii", "cp1252", "latin-1"))
            out = os.open(place / "printed", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        done = subprocess.run(
            [sys.executable, "-m", "echotrace.cli", *words, "--overwrite"],
            cwd=place, stdout=out, stderr=subprocess.PIPE, env=environment, check=False,
            preexec_fn=limit, timeout=600,
        )  # fmt: skip
        if out >= 0:
            os.close(out)
        err = done.stderr.decode("utf-8", "replace")
        judge.exit(done.returncode, err, [name, how])
        if partials(place):
            judge.fail("partial file left", f"{name} {how}")
        check(judge, place, outputs, [name, how])
        (place / "printed").unlink(missing_ok=True)
        for item in place.glob("*.parts"):
            for inner in item.iterdir():
                inner.unlink()
            item.rmdir()
    for name, size in before.items():
        if (place / name).stat().st_size != size:
            judge.fail("input changed", name)
    with capsys.disabled():
        judge.verdict()


@pytest.mark.skipif(
    subprocess.run(
        ["unshare", "-m", "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True, check=False
    ).returncode != 0
    if shutil.which("unshare")
    else True,
    reason="no file system can be mounted here",
)  # fmt: skip
@pytest.mark.parametrize("name", WRITING)
def test_read_only_file_system(name, place, capsys):
    """In a mount space of its own: one line, and nothing of what was there before is touched."""
    words, outputs = WRITING[name]
    plant(place, outputs)
    judge = Judge()
    before = {p.name: p.stat().st_mtime_ns for p in place.iterdir()}
    mounted = f'mount --bind -o ro "{place}" "{place}" && cd "{place}" && exec "$@"'
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", mounted, "sh", sys.executable, "-m", "echotrace.cli", *words,
         "--overwrite"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False, timeout=600,
    )  # fmt: skip
    assert done.returncode == 2
    judge.exit(done.returncode, done.stderr.decode(), [name], allowed=(2,))
    assert b"cannot be written" in done.stderr, done.stderr
    assert {p.name: p.stat().st_mtime_ns for p in place.iterdir()} == before
    with capsys.disabled():
        judge.verdict()
