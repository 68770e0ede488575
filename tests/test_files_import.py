"""Imports: what the file says is taken, what it does not say is demanded, nothing is guessed."""

import hashlib
import warnings
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy
from invented import recording

from echotrace.errors import (
    EchotraceError,
    EchotraceWarning,
    FileFormatError,
    MissingDetailError,
    ParameterError,
    RecordingError,
)
from echotrace.files.importing import import_recording
from echotrace.files.mat5 import mat5_variables
from echotrace.files.native import read_recording, write_recording
from echotrace.files.text import read_text
from echotrace.recording import Probe, Receiver

REAL = Path(__file__).resolve().parents[2] / "shared" / "data"

PROBE = Probe(centre_frequency_hz=1e7)
BLOCK = {"signal": "rf", "method": "other", "target": "block", "probe": PROBE}
SLOW = {**BLOCK, "probe": Probe(centre_frequency_hz=2.5e5)}
RECORDED = {**BLOCK, "probe": Probe(centre_frequency_hz=2.25e6)}
TIMED = {**BLOCK, "sampling_rate_hz": 1e8, "start_delay_us": 0.5}
SAMPLES = np.floor(2000 * np.sin(np.arange(3 * 40) ** 1.3).reshape(3, 40)).astype(np.int16)


@pytest.fixture
def npy(tmp_path):
    np.save(tmp_path / "a.npy", SAMPLES)
    return tmp_path / "a.npy"


# --- arrays --------------------------------------------------------------------------------


def test_npy(npy):
    made = import_recording(npy, **TIMED)
    assert np.array_equal(made.samples, SAMPLES)
    assert made.samples.dtype == np.int16
    assert made.delay_us[0] == 0.5


def test_source_is_named_without_its_folder_and_hashed(npy):
    made = import_recording(npy, **TIMED)
    assert made.attributes["source"] == "a.npy"
    assert made.attributes["source_sha256"] == hashlib.sha256(npy.read_bytes()).hexdigest()
    assert str(npy.parent) not in "".join(made.attributes.values())
    assert "imported a.npy" in made.attributes["history"]


def test_all_that_is_missing_is_listed_with_its_options(npy):
    with pytest.raises(MissingDetailError) as caught:
        import_recording(npy, method="contact")
    for option in (
        "--sampling-rate-mhz", "--start-delay-us", "--signal", "--eye", "--lens-state",
        "--centre-frequency-mhz", "--face-delay-us",
    ):  # fmt: skip
        assert f"({option})" in str(caught.value)
    assert "--method" not in str(caught.value)


EYE = {
    **TIMED,
    "target": "eye",
    "method": "immersion",
    "eye": "left",
    "lens_state": "phakic",
}


@pytest.mark.parametrize(
    ("changes", "option"),
    [
        ({"sampling_rate_hz": None}, "--sampling-rate-mhz"),
        ({"start_delay_us": None}, "--start-delay-us"),
        ({"signal": None}, "--signal"),
        ({"method": None}, "--method"),
        ({"eye": None}, "--eye"),
        ({"eye": "none"}, "--eye"),
        ({"lens_state": None}, "--lens-state"),
        ({"lens_state": "pseudophakic"}, "--lens-material"),
        ({"probe": None}, "--centre-frequency-mhz"),
        ({"method": "contact"}, "--face-delay-us"),
        ({"method": "other"}, "--target"),
    ],
)
def test_each_detail_is_demanded(npy, changes, option):
    import_recording(npy, **EYE)
    with pytest.raises(MissingDetailError, match=option):
        import_recording(npy, **{**EYE, **changes})


def test_everything_given_arrives(npy):
    probe = Probe(centre_frequency_hz=1e7, face_delay_us=0.4, face_delay_u_us=0.01)
    receiver = Receiver(bits=12, full_scale=2.0)
    made = import_recording(
        npy,
        **{**EYE, "method": "contact", "lens_state": "pseudophakic", "probe": probe},
        lens_material="pmma",
        vitreous="silicone_oil_1000",
        subject=["a", "b", "b"],
        operator="X",
        sitting="2",
        receiver=receiver,
        gain_db=40.0,
    )
    assert list(made.subject) == ["a", "b", "b"]
    assert made.lens_material[0] == "pmma"
    assert made.vitreous[0] == "silicone_oil_1000"
    assert (made.operator[0], made.sitting[0], made.target[0]) == ("X", "2", "eye")
    assert made.receiver == receiver
    assert made.probe == probe
    assert made.gain_db[0] == 40.0


@pytest.fixture
def npz(tmp_path):
    np.savez(
        tmp_path / "a.npz", rf=SAMPLES, x_mm=np.arange(3), fs=5e7, t0_us=1.25, names=["a", "b"]
    )
    return tmp_path / "a.npz"


def test_npz_finds_the_only_matrix_and_named_numbers(npz):
    made = import_recording(npz, **BLOCK, sampling_rate_variable="fs", start_delay_variable="t0_us")
    assert np.array_equal(made.samples, SAMPLES)
    assert (made.sampling_rate_hz, made.start_delay_us) == (5e7, 1.25)
    assert made.attributes["source_variable"] == "rf"


def test_file_and_argument_must_not_contradict(npz):
    named = {"sampling_rate_variable": "fs", "start_delay_variable": "t0_us"}
    import_recording(npz, **BLOCK, **named, sampling_rate_hz=5e7, start_delay_us=1.25)
    with pytest.raises(ParameterError, match=r"'fs' says .*=50000000 Hz.*100000000 Hz was given"):
        import_recording(npz, **BLOCK, **named, sampling_rate_hz=1e8)
    with pytest.raises(ParameterError, match=r"'t0_us' says start_delay_us=1.25 us, but 2 us"):
        import_recording(npz, **BLOCK, **named, start_delay_us=2.0)


def test_several_matrices_are_listed(tmp_path):
    path = tmp_path / "a.npz"
    np.savez(path, first=SAMPLES, second=SAMPLES[:, ::-1].astype(float))
    with pytest.raises(FileFormatError, match=r"first \(3 × 40 int16\), second .*--variable"):
        import_recording(path, **TIMED)
    assert import_recording(path, **TIMED, variable="second").samples[0, 0] == SAMPLES[0, -1]
    with pytest.raises(ParameterError, match=r"no variable 'third'; the file has first"):
        import_recording(path, **TIMED, variable="third")


def test_named_numbers_must_be_numbers(npz):
    with pytest.raises(FileFormatError, match="'names'"):
        import_recording(npz, **TIMED, sampling_rate_variable="names")
    with pytest.raises(FileFormatError, match=r"'x_mm' .* is not one number"):
        import_recording(npz, **TIMED, sampling_rate_variable="x_mm")
    with pytest.raises(ParameterError, match="no variable 'rate'"):
        import_recording(npz, **TIMED, sampling_rate_variable="rate")


def test_transposed_arrays(tmp_path):
    path = tmp_path / "a.npy"
    np.save(path, SAMPLES.T)
    assert np.array_equal(import_recording(path, **TIMED, samples_first=True).samples, SAMPLES)
    # 3 samples a trace are too few to be traces, and the way out is named.
    with pytest.raises(RecordingError, match="--samples-first"):
        import_recording(path, **TIMED)


def test_many_short_traces_draw_a_hint(tmp_path):
    path = tmp_path / "a.npy"
    np.save(path, np.random.default_rng(0).normal(size=(200, 20)))
    with pytest.warns(EchotraceWarning, match=r"200 traces of only 20 samples.*--samples-first"):
        import_recording(path, **TIMED)


def test_a_vector_is_one_trace(tmp_path):
    path = tmp_path / "a.npy"
    np.save(path, SAMPLES[0])
    assert import_recording(path, **TIMED).samples.shape == (1, 40)


BAD_ARRAYS = {
    "NaN": (np.where(SAMPLES > 0, np.nan, 1.0), RecordingError, "NaN"),
    "constant": (np.vstack([SAMPLES, np.ones((1, 40))]), RecordingError, "trace 3 is constant"),
    "no traces": (np.zeros((0, 40)), RecordingError, "0 traces"),
    "one sample": (np.zeros((3, 1)), FileFormatError, "16 samples or more"),
    "complex": (SAMPLES * 1j, FileFormatError, "is complex"),
    "3-D": (np.zeros((2, 3, 40)), FileFormatError, "has 3 dimensions"),
    "objects": (np.array([[1] * 40, [2] * 41], dtype=object), FileFormatError, "holds objects"),
    "text": (np.array([["a"] * 40] * 3), FileFormatError, "not numbers"),
    "bool": (SAMPLES > 0, FileFormatError, "not numbers"),
    "32 bits": (SAMPLES.astype(np.int32) * 1000, RecordingError, "outside int16"),
}


@pytest.mark.parametrize("ending", ["npy", "npz"])
@pytest.mark.parametrize("case", BAD_ARRAYS)
def test_each_array_that_cannot_be_traces_is_refused(tmp_path, case, ending):
    array, error, words = BAD_ARRAYS[case]
    path = tmp_path / f"bad.{ending}"
    if ending == "npy":
        np.save(path, array, allow_pickle=True)
    else:
        np.savez(path, rf=array)
    with pytest.raises(error, match=words) as caught:
        import_recording(path, **TIMED)
    assert "bad.n" in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sampling_rate_hz": 0.0}, "sampling_rate_hz=0.0"),
        ({"sampling_rate_hz": 100.0}, "is the unit Hz"),
        ({"sampling_rate_hz": float("nan")}, "sampling_rate_hz=nan"),
        ({"start_delay_us": float("inf")}, "start_delay_us=inf"),
        ({"signal": "rectified"}, "signal='rectified'"),
        ({"method": "air"}, "method='air'"),
        ({"subject": ["a", "b"]}, "2 labels for 3 traces"),
        ({"format": "fmt"}, "format='fmt'"),
        ({"decimal": "dot"}, "decimal='dot'"),
    ],
)
def test_impossible_arguments(npy, changes, words):
    with pytest.raises(EchotraceError, match=words):
        import_recording(npy, **{**TIMED, **changes})


def test_a_pickle_is_never_run(tmp_path):
    class Bomb:
        def __reduce__(self):
            return Path.touch, (tmp_path / "exploded",)

    path = tmp_path / "a.npy"
    np.save(path, np.array([Bomb()] * 20, dtype=object), allow_pickle=True)
    with pytest.raises(FileFormatError, match="holds objects"):
        import_recording(path, **TIMED)
    assert not (tmp_path / "exploded").exists()


# --- files that are no good ----------------------------------------------------------------


@pytest.fixture
def samples_of_all_formats(tmp_path):
    np.save(tmp_path / "a.npy", SAMPLES)
    np.savez(tmp_path / "a.npz", rf=SAMPLES)
    np.savez_compressed(tmp_path / "b.npz", rf=SAMPLES)
    scipy.io.wavfile.write(tmp_path / "a.wav", 1_000_000, SAMPLES.T)
    scipy.io.savemat(tmp_path / "a.mat", {"rf": SAMPLES})
    write_v73(tmp_path / "b.mat", {"rf": SAMPLES})
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["rf"] = SAMPLES
    return sorted(tmp_path.iterdir())


def test_every_format_is_known_by_its_content(samples_of_all_formats):
    for path in samples_of_all_formats:
        named_otherwise = path.rename(path.with_suffix(path.suffix + ".bin"))
        options = dict(TIMED)
        if ".wav" in path.name:
            options = {**options, "sampling_rate_hz": None, "probe": SLOW["probe"]}
        assert np.array_equal(import_recording(named_otherwise, **options).samples, SAMPLES), path


def test_files_cut_short_and_mangled_give_one_clear_error(samples_of_all_formats):
    for path in samples_of_all_formats:
        whole = path.read_bytes()
        for share in (0.0, 0.05, 0.3, 0.6, 0.9):
            path.write_bytes(whole[: int(share * len(whole))])
            with pytest.raises(EchotraceError) as caught:
                import_recording(path, **TIMED)
            assert path.name in str(caught.value)
            assert "\n" not in str(caught.value)


def test_unknown_and_missing_files(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(b"\0\1\2" * 100)
    with pytest.raises(FileFormatError, match="--format"):
        import_recording(path, **TIMED)
    with pytest.raises(FileFormatError, match="No such file"):
        import_recording(tmp_path / "none.npy", **TIMED)
    with pytest.raises(FileFormatError, match="holds no files of traces"):
        import_recording(tmp_path, **TIMED)


def test_a_native_file_needs_no_import(tmp_path):
    write_recording(recording(), tmp_path / "r.h5")
    with pytest.raises(FileFormatError, match="native file already"):
        import_recording(tmp_path / "r.h5", **TIMED)


def test_variables_cannot_be_named_where_there_are_none(tmp_path):
    (tmp_path / "a.csv").write_text("1,2\n" * 20)
    with pytest.raises(ParameterError, match="no named variables"):
        import_recording(tmp_path / "a.csv", **TIMED, variable="rf")


# --- text ----------------------------------------------------------------------------------

TIMES_US = 2.0 + np.arange(40) / 50.0


def as_text(columns, *, mark=",", point=".", quote="", form="{:.10g}"):
    lines = []
    for row in np.column_stack(columns):
        cells = [form.format(x).replace(".", point) for x in row]
        lines.append(mark.join(f"{quote}{cell}{quote}" for cell in cells))
    return "\n".join(lines) + "\n"


TIMED_TEXTS = {
    "header": "Time (us),A,B,C\n" + as_text([TIMES_US, *SAMPLES]),
    "micro sign": "time [µs],A,B,C\n" + as_text([TIMES_US, *SAMPLES]),
    "seconds": "Time (s),A,B,C\n" + as_text([TIMES_US * 1e-6, *SAMPLES]),
    "ns": "t_ns,A,B,C\n" + as_text([TIMES_US * 1e3, *SAMPLES]),
    "units below": "Time,A,B,C\n(ms),(V),(V),(V)\n" + as_text([TIMES_US * 1e-3, *SAMPLES]),
    "preamble": (
        "Instrument,invented\nPoints,40\nInterval,2e-08\n\nSecond,Volt,Volt,Volt\n"
        "Time (s),1,2,3\n" + as_text([TIMES_US * 1e-6, *SAMPLES])
    ),
    "the instrument's words": (
        "Model;invented\nPoints;40\nSecond;Volt;Volt;Volt\n"
        + as_text([TIMES_US * 1e-6, *SAMPLES], mark=";", point=",")
    ),
    "German, micro sign": "Zeit [µs];A;B;C\n" + as_text([TIMES_US, *SAMPLES], mark=";", point=","),
    "German": "Zeit (us)\tA\tB\tC\n" + as_text([TIMES_US, *SAMPLES], mark="\t", point=","),
    "semicolons": "Time (us);A;B;C\n" + as_text([TIMES_US, *SAMPLES], mark=";"),
    "decimal commas": "Zeit;A;B;C\nTime (us);1;2;3\n"
    + as_text([TIMES_US, *SAMPLES], mark=";", point=","),
    "tabs, decimal commas": "Time (us)\tA\tB\tC\n"
    + as_text([TIMES_US, *SAMPLES], mark="\t", point=","),
    "quoted decimal commas": '"Time (us)","A","B","C"\n'
    + as_text([TIMES_US, *SAMPLES], point=",", quote='"'),
    "quoted": '"Time (us)";"A";"B";"C"\n'
    + as_text([TIMES_US, *SAMPLES], mark=";", point=",", quote='"'),
    "blanks": "Time(us) A B C\n" + as_text([TIMES_US, *SAMPLES], mark="   "),
    "trailing commas": "Time (us),A,B,C,\n" + as_text([TIMES_US, *SAMPLES]).replace("\n", ",\n"),
    "windows line ends": ("Time (us),A,B,C\n" + as_text([TIMES_US, *SAMPLES])).replace(
        "\n", "\r\n"
    ),
}


@pytest.mark.parametrize("case", TIMED_TEXTS)
def test_text_with_a_time_column(tmp_path, case):
    path = tmp_path / "a.csv"
    path.write_text(TIMED_TEXTS[case], encoding="utf-8", newline="")
    made = import_recording(path, **BLOCK)
    assert np.array_equal(made.samples, SAMPLES)
    assert made.samples.dtype == np.int16
    assert made.sampling_rate_hz == 5e7
    assert made.start_delay_us == pytest.approx(2.0, abs=1e-9)


def test_text_with_a_preamble_beside_the_numbers(tmp_path):
    path = tmp_path / "a.csv"
    beside = ["Points,40,", "Interval,2e-08,s", "Model,invented,"] + [",,"] * 37
    numbers = as_text([TIMES_US, *SAMPLES]).splitlines()
    path.write_text("".join(f"{a},{b}\n" for a, b in zip(beside, numbers, strict=True)))
    made = import_recording(path, **BLOCK, time_unit="us")
    assert np.array_equal(made.samples, SAMPLES)
    assert made.sampling_rate_hz == 5e7


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_text_encodings(tmp_path, encoding):
    path = tmp_path / "a.csv"
    path.write_text(TIMED_TEXTS["micro sign"], encoding=encoding)
    assert import_recording(path, **BLOCK).sampling_rate_hz == 5e7


def test_text_without_times(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text(as_text(SAMPLES.T.astype(float)))
    assert np.array_equal(import_recording(path, **TIMED).samples, SAMPLES)
    path.write_text(as_text(SAMPLES))
    assert np.array_equal(import_recording(path, **TIMED, samples_first=True).samples, SAMPLES)
    path.write_text("".join(f"{x}\n" for x in SAMPLES[0]))
    assert np.array_equal(import_recording(path, **TIMED).samples, SAMPLES[:1])


def test_text_with_a_row_of_times(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(as_text(np.vstack([TIMES_US, SAMPLES]).T))
    made = import_recording(path, **BLOCK, time_unit="us")
    assert np.array_equal(made.samples, SAMPLES)
    assert made.sampling_rate_hz == 5e7


def test_text_floats_stay_floats(tmp_path):
    path = tmp_path / "a.csv"
    values = SAMPLES / 1024.0
    path.write_text(as_text([TIMES_US, *values], form="{:.17g}"))
    made = import_recording(path, **BLOCK, time_unit="us")
    assert made.samples.dtype == np.float32
    assert np.array_equal(made.samples, values.astype(np.float32))


def test_a_column_of_sample_numbers_is_dropped(tmp_path):
    path = tmp_path / "a.csv"
    for head, first in (("sample,A,B,C\n", 5), ("", 0), ("", 1)):
        path.write_text(head + as_text([np.arange(40) + first, *SAMPLES]))
        assert np.array_equal(import_recording(path, **TIMED).samples, SAMPLES)


def test_a_trace_under_a_doubtful_header_is_not_dropped(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("n,m,l\n" + as_text(SAMPLES))
    assert np.array_equal(import_recording(path, **TIMED, samples_first=True).samples, SAMPLES)


def test_a_time_column_without_unit_asks_for_it(tmp_path):
    path = tmp_path / "a.csv"
    for head in ("", "time,A,B,C\n"):
        path.write_text(head + as_text([TIMES_US, *SAMPLES]))
        with pytest.raises(MissingDetailError, match="--time-unit"):
            import_recording(path, **BLOCK)
        assert import_recording(path, **BLOCK, time_unit="us").sampling_rate_hz == 5e7


def test_a_time_column_and_arguments_must_not_contradict(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(TIMED_TEXTS["header"])
    # 50.001 MHz agrees with times printed to ten digits within a ten-thousandth.
    assert import_recording(path, **BLOCK, sampling_rate_hz=50.001e6).sampling_rate_hz == 50.001e6
    with pytest.raises(ParameterError, match=r"the time column says .*--ignore-file-timing"):
        import_recording(path, **BLOCK, sampling_rate_hz=1e8)
    with pytest.raises(ParameterError, match=r"the time column says start_delay_us=2 us, but 0"):
        import_recording(path, **BLOCK, start_delay_us=0.0)
    made = import_recording(
        path, **BLOCK, sampling_rate_hz=1e8, start_delay_us=0.0, ignore_file_timing=True
    )
    assert (made.sampling_rate_hz, made.start_delay_us) == (1e8, 0.0)
    assert np.array_equal(made.samples, SAMPLES)
    with pytest.raises(MissingDetailError, match="--sampling-rate-mhz"):
        import_recording(path, **BLOCK, ignore_file_timing=True)


@pytest.mark.parametrize("row", [1, 17, 39])
@pytest.mark.parametrize("shift", [2e-3, -2e-3, 1.0])
def test_times_that_are_not_uniform_are_refused_with_their_row(tmp_path, row, shift):
    path = tmp_path / "a.csv"
    times = TIMES_US.copy()
    times[row:] += shift / 50.0
    path.write_text("Time (us),A,B,C\n" + as_text([times, *SAMPLES], form="{:.12g}"))
    with pytest.raises(FileFormatError, match=rf"line {row + 2} \(row {row + 1}\)"):
        import_recording(path, **BLOCK)


def test_times_within_a_thousandth_of_a_step_are_taken(tmp_path):
    path = tmp_path / "a.csv"
    times = TIMES_US.copy()
    times[17:] += 0.9e-3 / 50.0
    path.write_text("Time (us),A,B,C\n" + as_text([times, *SAMPLES], form="{:.12g}"))
    made = import_recording(path, **BLOCK)
    assert made.sampling_rate_hz == pytest.approx(5e7, rel=1e-4)


BAD_TEXTS = {
    "word": (as_text(SAMPLES) + "oops,1,2\n", "line 41, column 1 holds 'oops'"),
    "words behind one line": (
        "1,2,3\nTime,A,B\n" + as_text(SAMPLES),
        "line 2, column 1 holds 'Time'.* begin in line 1",
    ),
    "shorter first line": ("1,2\n" + as_text(SAMPLES), "line 2 has 3 values, the lines before 2"),
    "empty cells between": ("1,2,3\n" * 20 + ",,\n" + "1,2,3\n" * 20, "line 21 holds only empty"),
    "last column empty beside": ("1,2,3\n" * 20 + ",2,3\n", "line 21, column 1 holds ''"),
    "other line ends in a cell": ("1\n" * 20 + "1\v2\n", r"line 21, column 1 holds '1\\x0b2'"),
    "quote left open": ('"1,2,3\n' + "1,2,3\n" * 20, "line 1, column 1 holds"),
    "a cell of many digits": ("7,2,3\n" * 20 + f"{'9' * 200_000},2,3\n", "line 21, column 1 holds"),
    "other digits": ("7,2,3\n" * 20 + "\u0661,2,3\n", "line 21, column 1 holds"),
    "ragged": ("1,2,3\n" * 20 + "1,2\n", "line 21 has 2 values, the lines before 3"),
    "hole": ("1,2,3\n" * 20 + "1,,3\n", "line 21, column 2 holds ''"),
    "underscore": ("1,2,3\n" * 20 + "1_0,2,3\n", "line 21, column 1 holds '1_0'"),
    "words only": ("no numbers here\nat all\n" * 5, "no numbers found"),
    "bare decimal commas": ("0,012,0,034\n" * 20, "decimal comma"),
    "time NaN": ("time us,A\n1,2\n2,3\nnan,4\n4,5\n", r"line 4 \(row 3\) is not a number"),
    "time falls": ("time us,A\n" + as_text([-TIMES_US, SAMPLES[0]]), "does not rise"),
    "one time": ("time us,A\n1,2\n", "one time is not enough"),
}


@pytest.mark.parametrize("case", BAD_TEXTS)
def test_each_text_that_is_no_good_names_its_line(tmp_path, case):
    text, words = BAD_TEXTS[case]
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(FileFormatError, match=words) as caught:
        import_recording(path, **TIMED)
    assert "bad.csv" in str(caught.value)


@pytest.mark.parametrize("by_line", ["trace", "sample"])
@pytest.mark.parametrize("row", [0, 1, 2])
def test_no_typo_drops_a_trace_or_shifts_the_samples(tmp_path, by_line, row):
    """Each of the first cells of each of the first lines, one character put wrong."""
    path = tmp_path / "typo.csv"
    lines = as_text(SAMPLES.T if by_line == "trace" else SAMPLES).splitlines()
    for column in range(3):
        cells = lines[row].split(",")
        for wrong in ("x", "", "-", ".", "1_0"):
            cells[column] = wrong + lines[row].split(",")[column][1:]
            path.write_text("\n".join([*lines[:row], ",".join(cells), *lines[row + 1 :], ""]))
            said, made = None, None
            try:
                made = import_recording(path, **TIMED, samples_first=by_line == "sample")
            except FileFormatError as error:
                said = str(error)
            if made is None:
                assert f"line {row + 1}, column {column + 1} holds" in said
                continue
            assert made.samples.shape == SAMPLES.shape
            at = (column, row) if by_line == "sample" else (row, column)
            expected = SAMPLES.astype(np.float32)
            expected[at] = np.float32(cells[column])
            assert np.array_equal(made.samples, expected)


def test_a_file_cut_in_its_last_line_is_refused(tmp_path):
    path = tmp_path / "cut.csv"
    text = as_text(SAMPLES.T)
    for size in range(text.rindex("\n", 0, len(text) - 1) + 3, len(text) - 6, 7):
        path.write_text(text[:size])
        with pytest.raises(FileFormatError, match=r"line 3(, column| has .* values)"):
            import_recording(path, **TIMED)


def test_a_last_line_without_an_end_is_noted(tmp_path):
    path = tmp_path / "cut.csv"
    path.write_text(as_text(SAMPLES.T)[:-3])
    with pytest.warns(EchotraceWarning, match="last line has no end"):
        import_recording(path, **TIMED)


def test_a_heading_that_could_be_a_damaged_number_is_asked_for(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("x1\n" + "".join(f"{x}\n" for x in SAMPLES[0]))
    with pytest.raises(FileFormatError, match=r"line 1, column 1 holds 'x1'.*--skip-lines 1 if"):
        import_recording(path, **TIMED)
    assert np.array_equal(import_recording(path, **TIMED, skip_lines=1).samples, SAMPLES[:1])
    path.write_text("Points\n40\nVolt\n" + "".join(f"{x}\n" for x in SAMPLES[0]))
    with pytest.raises(FileFormatError, match=r"line 3, column 1 holds 'Volt'"):
        import_recording(path, **TIMED)
    assert np.array_equal(import_recording(path, **TIMED, skip_lines=3).samples, SAMPLES[:1])


def test_tables_with_an_index(tmp_path):
    """As pandas writes them: the index is never taken for a sample."""
    pandas = pytest.importorskip("pandas")
    path = tmp_path / "a.csv"
    for frame, options in (
        (pandas.DataFrame(SAMPLES), {}),
        (pandas.DataFrame(SAMPLES.T), {}),
        (pandas.DataFrame(SAMPLES.T, columns=["A", "B", "C"]), {}),
        (pandas.DataFrame(SAMPLES.T, index=np.arange(40) + 5), {"index_column": True}),
    ):
        frame.to_csv(path)
        assert np.array_equal(import_recording(path, **TIMED, **options).samples, SAMPLES)
    for frame in (pandas.DataFrame(SAMPLES), pandas.DataFrame(SAMPLES.T)):
        frame.to_csv(path, index=False)
        by_line = frame.shape[0] == 40
        if by_line:
            with pytest.raises(MissingDetailError, match="--skip-lines 1"):
                import_recording(path, **TIMED, samples_first=True)
            made = import_recording(path, **TIMED, samples_first=True, skip_lines=1)
        else:
            made = import_recording(path, **TIMED)
        assert np.array_equal(made.samples, SAMPLES)
    pandas.DataFrame(SAMPLES).to_csv(path, header=False)
    with pytest.raises(MissingDetailError, match=r"--index-column.*--no-index-column"):
        import_recording(path, **TIMED)
    assert np.array_equal(import_recording(path, **TIMED, index_column=True).samples, SAMPLES)
    with_it = import_recording(path, **TIMED, index_column=False).samples
    assert np.array_equal(with_it, np.column_stack([[0, 1, 2], SAMPLES]))


def test_decimal_commas_in_one_column_need_the_option(tmp_path):
    path = tmp_path / "a.txt"
    values = SAMPLES[0] / 8.0
    path.write_text(as_text([values], point=","))
    made = import_recording(path, **TIMED, decimal="comma")
    assert np.array_equal(made.samples[0], values.astype(np.float32))


def test_nan_in_a_text_is_refused_as_a_sample(tmp_path):
    path = tmp_path / "a.csv"
    lines = as_text([TIMES_US, SAMPLES[0]]).splitlines()
    lines[5] = lines[5].split(",")[0] + ",NaN"
    path.write_text("\n".join(["Time (us),A", *lines, ""]))
    with pytest.raises(RecordingError, match="NaN"):
        import_recording(path, **BLOCK)


# --- WAV -----------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1_000_000, 100_000_000])
@pytest.mark.parametrize("dtype", [np.int16, np.float32])
def test_wav_channels_are_traces_and_the_header_gives_the_rate(tmp_path, rate_hz, dtype):
    path = tmp_path / "a.wav"
    values = (SAMPLES / (1 if dtype == np.int16 else 32768)).astype(dtype)
    scipy.io.wavfile.write(path, rate_hz, values.T)
    made = import_recording(path, **SLOW, start_delay_us=3.0)
    assert np.array_equal(made.samples, values)
    assert made.samples.dtype == dtype
    assert made.sampling_rate_hz == rate_hz
    with pytest.raises(MissingDetailError, match="--start-delay-us"):
        import_recording(path, **SLOW)
    with pytest.raises(ParameterError, match="the WAV header says"):
        import_recording(path, **SLOW, start_delay_us=3.0, sampling_rate_hz=rate_hz * 1.01)
    made = import_recording(
        path, **SLOW, start_delay_us=3.0, sampling_rate_hz=2e7, ignore_file_timing=True
    )
    assert made.sampling_rate_hz == 2e7


def test_wav_of_one_channel_and_of_eight_bits(tmp_path):
    path = tmp_path / "a.wav"
    values = (SAMPLES[0] // 256 + 128).astype(np.uint8)
    scipy.io.wavfile.write(path, 1_000_000, values)
    made = import_recording(path, **SLOW, start_delay_us=0.0)
    assert np.array_equal(made.samples[0], values.astype(int) - 128)


def test_wav_of_24_and_32_bits(tmp_path):
    path = tmp_path / "a.wav"
    wide = SAMPLES[0].astype(np.int32) * 2**8
    scipy.io.wavfile.write(path, 1_000_000, wide)
    made = import_recording(path, **SLOW, start_delay_us=0.0)
    assert np.array_equal(made.samples[0].astype(np.float64) * 2**31, wide)
    scipy.io.wavfile.write(path, 1_000_000, wide + 1)
    with pytest.raises(FileFormatError, match="32-bit"):
        import_recording(path, **SLOW, start_delay_us=0.0)


# --- MAT -----------------------------------------------------------------------------------


def write_v73(path, variables):
    """An HDF5 file in the layout MATLAB gives its version 7.3: user block, class, axes reversed."""
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, value in variables.items():
            if isinstance(value, dict):
                group = file.create_group(name)
                group.attrs["MATLAB_class"] = np.bytes_("struct")
                for key, item in value.items():
                    group[key] = np.atleast_2d(item).T
                    group[key].attrs["MATLAB_class"] = np.bytes_("double")
                continue
            if isinstance(value, list):
                refs = file.require_group("#refs#")
                cells = []
                for k, item in enumerate(value):
                    refs[f"c{k}"] = np.atleast_2d(item).T
                    cells.append([refs[f"c{k}"].ref])
                data = file.create_dataset(name, data=np.array(cells, dtype=h5py.ref_dtype))
                data.attrs["MATLAB_class"] = np.bytes_("cell")
                continue
            if isinstance(value, str):
                data = file.create_dataset(
                    name, data=np.array([[ord(c)] for c in value], np.uint16)
                )
                data.attrs["MATLAB_class"] = np.bytes_("char")
                continue
            value = np.atleast_2d(value)
            if np.iscomplexobj(value):
                pair = np.zeros(value.T.shape, [("real", "f8"), ("imag", "f8")])
                pair["real"], pair["imag"] = value.T.real, value.T.imag
                data = file.create_dataset(name, data=pair)
                data.attrs["MATLAB_class"] = np.bytes_("double")
                continue
            data = file.create_dataset(name, data=np.ascontiguousarray(value.T))
            kind = {"float64": "double", "float32": "single"}.get(str(value.dtype), value.dtype)
            data.attrs["MATLAB_class"] = np.bytes_(str(kind))
    name_as_v73(path)


def name_as_v73(path):
    head = b"MATLAB 7.3 MAT-file, Platform: invented, HDF5 schema 1.00 .".ljust(116)
    with path.open("r+b") as file:
        file.write(head + b"\0" * 8 + b"\x00\x02IM")


def write_v5(path, variables):
    cells = {k: np.array(v, dtype=object) for k, v in variables.items() if isinstance(v, list)}
    scipy.io.savemat(path, variables | cells)


@pytest.fixture(params=["v5", "v7.3"])
def write_mat(request):
    return write_v5 if request.param == "v5" else write_v73


@pytest.mark.parametrize("dtype", [np.int16, np.float32, np.float64])
def test_mat_of_both_versions(tmp_path, write_mat, dtype):
    path = tmp_path / "a.mat"
    write_mat(path, {"rf": SAMPLES.astype(dtype), "fs": 5e7, "x_mm": np.arange(3.0)})
    made = import_recording(path, **BLOCK, sampling_rate_variable="fs", start_delay_us=0.0)
    assert np.array_equal(made.samples, SAMPLES)
    assert made.sampling_rate_hz == 5e7


def test_mat_with_traces_as_columns(tmp_path, write_mat):
    path = tmp_path / "a.mat"
    write_mat(path, {"rf": SAMPLES.T})
    assert np.array_equal(import_recording(path, **TIMED, samples_first=True).samples, SAMPLES)


def test_mat_variables_are_named_as_their_program_shows_them(tmp_path, write_mat):
    path = tmp_path / "a.mat"
    write_mat(path, {"a": SAMPLES, "b": SAMPLES.T})
    with pytest.raises(FileFormatError, match=r"a \(3 × 40 int16\), b \(40 × 3 int16\)"):
        import_recording(path, **TIMED)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ([SAMPLES[0], SAMPLES[1, :30]], r"rf\{1\}|'rf' is a cell variable"),
        ("text", "'rf' is a char variable"),
        (SAMPLES * 1j, "complex"),
        (np.zeros((2, 3, 40)), "dimensions"),
    ],
)
def test_mat_variables_that_are_no_arrays_are_refused(tmp_path, write_mat, value, words):
    path = tmp_path / "a.mat"
    write_mat(path, {"rf": value})
    with pytest.raises(EchotraceError, match=words):
        import_recording(path, **TIMED, variable="rf")
    with pytest.raises(EchotraceError):
        import_recording(path, **TIMED)


def test_numbers_in_structures_and_cells(tmp_path):
    path = tmp_path / "a.mat"
    cell = np.empty((1, 3), object)
    cell[0, :] = [SAMPLES[k].reshape(-1, 1) for k in range(3)]
    scans = np.zeros((1, 3), [("rf", object), ("note", object)])
    for k in range(3):
        scans[0, k] = (SAMPLES[k], "invented")
    contents = {
        "rf": ({"scan": {"rf": SAMPLES, "deep": {"fs": 5e7}, "note": "x"}}, "scan.deep.fs"),
        "cell": ({"traces": cell, "fs": 5e7}, "fs"),
        "array": ({"scans": scans, "fs": 5e7}, "fs"),
    }
    for content, rate in contents.values():
        for packed in (False, True):
            scipy.io.savemat(path, content, do_compression=packed)
            made = import_recording(path, **BLOCK, sampling_rate_variable=rate, start_delay_us=0.0)
            assert np.array_equal(made.samples, SAMPLES)
            assert made.sampling_rate_hz == 5e7
    write_v73(path, {"rf": {"data": SAMPLES}})
    assert import_recording(path, **TIMED).attributes["source_variable"] == "rf.data"
    with h5py.File(path, "w", userblock_size=512) as file:
        store = file.create_group("#refs#")
        cell = file.create_dataset("traces", (3, 1), h5py.ref_dtype)
        cell.attrs["MATLAB_class"] = np.bytes_("cell")
        for k in range(3):
            store[f"e{k}"] = SAMPLES[k].reshape(-1, 1)
            store[f"e{k}"].attrs["MATLAB_class"] = np.bytes_("int16")
            cell[k, 0] = store[f"e{k}"].ref
    name_as_v73(path)
    assert np.array_equal(import_recording(path, **TIMED).samples, SAMPLES)


@pytest.mark.parametrize("dtype", ["i1", "u1", "i2", "u2", "i4", "u4", "f4", "f8", "i8", "u8"])
def test_every_kind_of_number_as_scipy_reads_it(tmp_path, dtype):
    """And stored in narrower types than their own, as the format does with whole doubles."""
    path = tmp_path / "a.mat"
    values = np.abs(SAMPLES % 100).astype(dtype)
    for packed in (False, True):
        scipy.io.savemat(path, {"rf": values}, do_compression=packed)
        (found,) = mat5_variables(path).values()
        loaded = found.load()
        assert loaded.dtype == scipy.io.loadmat(path)["rf"].dtype
        assert np.array_equal(loaded, scipy.io.loadmat(path)["rf"])


def test_other_hdf5_is_taken_as_it_lies(tmp_path):
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["scan/rf"] = SAMPLES
        file["scan/fs"] = 5e7
        file["scan/note"] = "text"
    made = import_recording(path, **BLOCK, sampling_rate_variable="scan/fs", start_delay_us=0.0)
    assert np.array_equal(made.samples, SAMPLES)
    assert made.attributes["source_variable"] == "scan/rf"


@pytest.mark.parametrize(("rate_hz", "frequency_hz"), [(1e7, 1e7), (1.9e7, 1e7)])
def test_a_carrier_above_half_the_rate_is_refused(npy, rate_hz, frequency_hz):
    details = {**TIMED, "sampling_rate_hz": rate_hz}
    probe = Probe(centre_frequency_hz=frequency_hz)
    with pytest.raises(ParameterError, match="one of them is wrong, or its unit"):
        import_recording(npy, **{**details, "probe": probe})
    import_recording(npy, **{**details, "probe": probe, "sampling_rate_hz": 1e8})


# --- recorded data -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "shape", "rate_hz", "start_us"),
    [
        ("three_layer_block.npz", (370, 564), 12.5e6, 81.0),
        ("repeated_backwall.npz", (32, 16384), 64e6, 0.0),
    ],
)
def test_recorded_traces_come_through_the_front_door(tmp_path, name, shape, rate_hz, start_us):
    if not (REAL / name).exists():
        pytest.skip(f"recorded data {name} are not beside the repository")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        made = import_recording(
            REAL / name, **RECORDED, sampling_rate_variable="fs", start_delay_variable="t0_us"
        )
    assert made.samples.shape == shape
    assert made.sampling_rate_hz == rate_hz
    assert made.start_delay_us == pytest.approx(start_us)
    with np.load(REAL / name) as raw:
        assert np.array_equal(made.samples, raw["rf"])
    write_recording(made, tmp_path / "r.h5")
    assert np.array_equal(read_recording(tmp_path / "r.h5").samples, made.samples)


ROWS = np.round(np.sin(np.arange(3)[:, None] + 0.7 * np.arange(40)), 4)


def _labelled(path, names, rows=ROWS, heading=""):
    lines = [f"{name},{','.join(map(str, row))}" for name, row in zip(names, rows, strict=True)]
    path.write_text("\n".join([*([heading] if heading else []), *lines]) + "\n", "utf-8")
    return path


@pytest.mark.parametrize("heading", ["", "name," + ",".join(f"s{k}" for k in range(40))])
def test_names_in_front_of_the_numbers_are_left_out_and_said(tmp_path, heading):
    path = _labelled(tmp_path / "rows.csv", ("scan 1", "scan 2", "B-3"), heading=heading)
    with pytest.warns(EchotraceWarning, match="first column holds names, from 'scan 1' to 'B-3'"):
        found = read_text(path)
    np.testing.assert_array_equal(found.samples, ROWS)


def test_names_in_front_of_a_time_column(tmp_path):
    columns = np.column_stack([0.01 * np.arange(40), ROWS.T])
    names = [f"s{k}" for k in range(40)]
    path = _labelled(tmp_path / "columns.csv", names, columns, "label,time_us,a,b,c")
    with pytest.warns(EchotraceWarning, match="holds names"):
        found = read_text(path)
    np.testing.assert_array_equal(found.samples, ROWS)
    assert found.sampling_rate_hz == pytest.approx(1e8)


@pytest.mark.parametrize(
    "names",
    [
        ("scan 1", "scan 2", "0.5"),  # the last has a sample more, or no name
        ("0.5", "scan 2", "scan 3"),
        ("ERR", "ERR", "ERR"),  # names nothing
        ("O.25", "O.5", "O.75"),  # a letter for a nought
        ("nan", "inf", "nan"),
        ("#1", "#2", "#3"),
    ],
)
def test_a_first_cell_that_may_be_a_damaged_sample_is_no_name(tmp_path, names):
    path = _labelled(tmp_path / "rows.csv", names)
    if names[0] == "nan":
        samples = read_text(path).samples
        assert samples.shape == (3, 41)
        return
    with pytest.raises(FileFormatError, match=r"rows\.csv"):
        read_text(path)
