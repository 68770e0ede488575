"""What no single test sees: layers, import weight, units in names, inputs left alone."""

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import echotrace

PACKAGE = Path(echotrace.__file__).parent

# A module imports only from its own row or from rows below (rows count upwards), and within a row
# never in a circle. Names are folders, or modules that lie at the top of the package.
LAYERS = [
    {"errors", "caution", "text_out", "__init__", "_moved", "_public", "_renamed"},
    {
        "kernels",
        "user_input",
        "distributions",
        "quantities",
        "media",
        "target",
        "recording",
        "decisions",
        "extensions",
        "measurement",
        "sitting_limits",
    },
    {"signal"},
    {"quality", "bounds"},
    {"settings", "synthesis", "files", "chain"},
    {"many", "sittings", "agreement", "power", "reference_block", "tuning"},
    {"figures"},
    {"report", "commands", "cli", "fitting", "teaching"},
]
ROW = {name: k for k, names in enumerate(LAYERS) for name in names}


def _modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        yield parts, ast.parse(path.read_text(encoding="utf-8"))


def _imported(tree):
    """Full names of the package's modules imported anywhere in a file, but for annotations only."""
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "echotrace":
            base = node.module.split(".")[1:]
            for alias in node.names:
                below = [*base, alias.name]
                found = below if _exists(below) else base
                if found:
                    yield ".".join(found)


def _exists(parts):
    path = PACKAGE.joinpath(*parts)
    return path.with_suffix(".py").exists() or (path / "__init__.py").exists()


def _imports(tree):
    """The rows' names that a file imports from."""
    for name in _imported(tree):
        yield name.split(".")[0]


def _upward(modules, row):
    return [
        f"{name} imports {other}"
        for name, tree in modules
        for other in _imports(tree)
        if row[other] > row[name.split(".")[0]]
    ]


def _circle(graph):
    """One circle of a graph given as name to names, or None."""
    state, path = {}, []

    def visit(name):
        state[name] = "open"
        path.append(name)
        for other in graph.get(name, ()):
            if state.get(other) == "open":
                return [*path[path.index(other) :], other]
            if other not in state and (found := visit(other)):
                return found
        state[name] = "done"
        path.pop()
        return None

    for name in graph:
        if name not in state and (found := visit(name)):
            return found
    return None


def test_every_module_has_its_layer_and_every_layer_its_modules():
    there = {parts[0] for parts, _ in _modules()}
    assert not there - set(ROW), f"give these modules a layer: {sorted(there - set(ROW))}"
    assert not set(ROW) - there, f"these are listed and do not exist: {sorted(set(ROW) - there)}"
    assert sum(len(names) for names in LAYERS) == len(ROW)


def test_imports_go_down_only():
    modules = [(".".join(parts), tree) for parts, tree in _modules()]
    assert not _upward(modules, ROW)
    broken = [("signal.pulse", ast.parse("from echotrace.chain.measure import measure"))]
    assert _upward(broken, ROW) == ["signal.pulse imports chain"]


def test_no_circles():
    """Neither between modules nor between the folders of a row."""
    modules = {}
    for parts, tree in _modules():
        name = ".".join(parts).removesuffix(".__init__")
        modules[name] = sorted({other for other in _imported(tree) if other != name})
    assert _circle(modules) is None
    folders = {}
    for name, others in modules.items():
        top = name.split(".")[0]
        folders.setdefault(top, set()).update(o.split(".")[0] for o in others)
    for top, others in folders.items():
        others.discard(top)
    assert _circle(folders) is None
    assert _circle({"a": ["b"], "b": ["c"], "c": ["a"]}) == ["a", "b", "c", "a"]


def test_chain_and_origin_do_not_know_each_other():
    judging = {"chain", "settings", "signal", "quality"}
    for parts, tree in _modules():
        names = set(_imports(tree))
        if parts[0] in ("synthesis", "files"):
            # Both may know the receiver, forwards and as it was; nothing that reads traces.
            used = {n for n in _imported(tree) if n.split(".")[0] in judging}
            assert used <= {"signal.receiver"}, parts
        if parts[0] in judging:
            assert not names & {"synthesis", "files"}, parts


MOST_LINES, MEDIAN_LINES = 500, 200


def _too_long(lines):
    """What is wrong with the lengths of modules, given as name to number of lines."""
    told = [
        f"{name}: {n} lines, at most {MOST_LINES}" for name, n in lines.items() if n > MOST_LINES
    ]
    median = float(np.median(list(lines.values())))
    return told + ([f"median of {median:g} lines"] if median > MEDIAN_LINES else [])


def test_modules_are_short():
    """A module fits into a head: none is over 500 lines, half of them are under 200."""
    lines = {
        str(path.relative_to(PACKAGE)): len(path.read_text(encoding="utf-8").splitlines())
        for path in PACKAGE.rglob("*.py")
    }
    assert len(lines) > 100
    assert _too_long(lines) == []
    assert _too_long({"a": 501, "b": 10, "c": 20}) == ["a: 501 lines, at most 500"]
    assert _too_long({"a": 201, "b": 202, "c": 20}) == ["median of 201 lines"]


def test_only_kernels_import_numba():
    for parts, tree in _modules():
        if parts[0] == "kernels":
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                assert not any(a.name.split(".")[0] == "numba" for a in node.names), parts
            if isinstance(node, ast.ImportFrom):
                assert (node.module or "").split(".")[0] != "numba", parts


@pytest.mark.parametrize(
    ("code", "banned"),
    [
        (
            "import echotrace",
            {"numba", "scipy", "matplotlib", "h5py", "jinja2", "tqdm"},
        ),
        (
            "from echotrace.cli import main; main(['--help'])",
            {"numba", "scipy", "matplotlib", "h5py", "numpy", "jinja2"},
        ),
        (
            "from echotrace.cli import main; main(['measure', '--help'])",
            {"numba", "scipy", "matplotlib", "h5py"},
        ),
    ],
)
def test_starting_loads_nothing_heavy(code, banned):
    probe = f"{code}\nimport sys\nprint('LOADED', *sorted(m.split('.')[0] for m in sys.modules))"
    out = subprocess.run(
        [sys.executable, "-c", probe], capture_output=True, text=True, check=True
    ).stdout
    loaded = set(out.rsplit("LOADED", 1)[1].split())
    assert not loaded & banned


def test_every_public_name_is_there_and_documented():
    assert len(echotrace.__all__) >= 20
    for name in echotrace.__all__:
        value = getattr(echotrace, name)
        if callable(value):
            assert inspect.getdoc(value), name
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = echotrace.nonsense
    assert set(echotrace.__all__) - {"__version__"} <= set(dir(echotrace))


def test_importing_submodules_hides_no_public_name():
    """A submodule of the same name as a public function would replace it on import."""
    for path in PACKAGE.iterdir():
        if path.stem in echotrace.__all__:
            assert getattr(echotrace, path.stem) is sys.modules[f"echotrace.{path.stem}"]


# Parameters that carry a quantity say its unit; these are pure numbers or not quantities.
DIMENSIONLESS = {
    "shared_downshift",
    "alpha", "confidence", "margin", "amplitude_to_noise", "fractional_bandwidth", "ratio",
    "score", "reference", "min_echo_free_fraction", "envelope_bandwidth", "from_rayl",
    "into_rayl", "dip_ratio", "noise_to_amplitude", "bandwidth", "edge_fraction",
    "threshold_fraction", "false_alarm_rate",
}  # fmt: skip
UNITS = (
    "_hz", "_mhz", "_us", "_mm", "_db", "_m_per_s", "_c", "_deg", "_ppm", "_d", "_rayl", "_um",
    "_in", "_kg_per_m3", "_dioptre", "_sample", "_s", "_percent", "_nm", "_db_per_cm_mhz", "_nats",
)  # fmt: skip


def test_float_parameters_of_the_signal_layer_name_their_unit():
    missing = []
    for parts, tree in _modules():
        if parts[0] not in ("signal", "quality"):
            continue
        for node in ast.walk(tree):
            if not isinstance(node, ast.FunctionDef) or node.name.startswith("_"):
                continue
            for arg in [*node.args.args, *node.args.kwonlyargs]:
                plain = arg.annotation is not None and ast.unparse(arg.annotation) == "float"
                if plain and not arg.arg.endswith(UNITS) and arg.arg not in DIMENSIONLESS:
                    missing.append(f"{'.'.join(parts)}.{node.name}({arg.arg})")
    assert not missing


def test_inputs_are_left_alone():
    """Every step of the chain gives new arrays; what it was given stays byte for byte."""
    from closed_form import eye_traces, recording_of

    from echotrace.chain.by_hand import decide_by_hand
    from echotrace.chain.measure import measure
    from echotrace.recording import Receiver
    from echotrace.signal.envelope import analytic_signal, detect_envelope, matched_filter
    from echotrace.signal.pulse import gaussian_pulse
    from echotrace.signal.receiver import apply_receiver, log_compress, undo_receiver
    from echotrace.sittings.sitting import summarise

    rf = eye_traces(2)
    before = rf.tobytes()
    t = np.arange(rf.shape[1]) * 0.01
    receiver = Receiver(tgc_delay_us=(0.0, 40.0), tgc_gain_db=(0.0, 10.0))
    apply_receiver(rf, t, receiver, 3.0)
    undo_receiver(rf, t, receiver, 3.0)
    analytic_signal(rf)
    for method in ("analytic", "quadrature", "rectified"):
        detect_envelope(rf, 1e8, method=method, centre_frequency_hz=1e7, bandwidth_hz=6e6)
    matched_filter(rf, gaussian_pulse(1e8, 1e7, 0.6))
    log_compress(np.abs(rf))
    recording = recording_of(rf)
    result = measure(recording)
    lengths = result.axial_length_mm.tobytes()
    decide_by_hand(result, reject={0: "test"})
    summarise(result)
    assert rf.tobytes() == before
    assert np.asarray(recording.samples).tobytes() == before
    assert result.axial_length_mm.tobytes() == lengths
    with pytest.raises(ValueError, match="read-only"):
        result.axial_length_mm[0] = 0.0


def test_old_module_names_give_the_module_itself():
    """Deep imports of the flat layout work for one version and say the new name."""
    import importlib

    from echotrace._moved import MOVED

    for old, new in MOVED.items():
        sys.modules.pop(f"echotrace.{old}", None)
        with pytest.warns(FutureWarning, match=f"is now echotrace.{new};"):
            found = importlib.import_module(f"echotrace.{old}")
        assert found is importlib.import_module(f"echotrace.{new}")
    run = subprocess.run(
        [sys.executable, "-m", "echotrace.calibration", "--help"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "usage: python -m echotrace.fitting.calibration" in run.stdout
    assert "echotrace.calibration is now echotrace.fitting.calibration" in run.stderr
