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

# A module imports only from its own row or from rows below (rows count upwards).
LAYERS = [
    {"errors", "caution", "__init__"},
    {"kernels", "user_input", "media", "target", "recording", "measurement"},
    {
        "pulse", "receiver", "envelope", "conditioning", "gates", "picking", "pattern", "score",
        "score_reasons", "quality", "findings", "lengths",
    },
    {"synthesis", "files", "settings", "reading", "chain"},
    {
        "sitting", "study", "repeatability", "variance", "reml",
        "reml_likelihood", "agreement", "agreement_text",
        "sample_size", "lens_power", "power_cautions", "propagation", "eye_states",
        "plausibility", "power_study", "alignment", "calibration", "calibration_draws",
        "alignment_tables", "finding_cases", "tuning", "teaching", "block", "many",
        "sitting_quality",
    },
    {"figures"},
    {"report", "commands", "cli"},
]  # fmt: skip
ROW = {name: k for k, names in enumerate(LAYERS) for name in names}


def _modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        yield parts, ast.parse(path.read_text(encoding="utf-8"))


def _imports(tree):
    """Modules of the package imported anywhere in a file, but for annotations only."""
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("echotrace"):
            parts = node.module.split(".")
            if len(parts) > 1:
                yield parts[1]
            else:
                yield from (a.name for a in node.names if a.name in ROW)


def test_every_module_has_its_layer():
    unknown = {parts[0] for parts, _ in _modules()} - set(ROW)
    assert not unknown, f"give these modules a layer: {sorted(unknown)}"


def test_imports_go_down_only():
    wrong = [
        f"{'.'.join(parts)} imports {name}"
        for parts, tree in _modules()
        for name in _imports(tree)
        if ROW[name] > ROW[parts[0]]
    ]
    assert not wrong


def test_chain_and_origin_do_not_know_each_other():
    for parts, tree in _modules():
        names = set(_imports(tree))
        if parts[0] in ("synthesis", "files"):
            chain = {"chain", "settings", "gates", "picking", "quality", "envelope", "pulse"}
            assert not names & chain, parts
        if parts[0] in ("chain", "settings", *LAYERS[2]):
            assert not names & {"synthesis", "files"}, parts


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
        assert path.stem not in echotrace.__all__, path.name


# Parameters that carry a quantity say its unit; these are pure numbers or not quantities.
DIMENSIONLESS = {
    "alpha", "confidence", "margin", "amplitude_to_noise", "fractional_bandwidth", "ratio",
    "score", "reference", "min_echo_free_fraction", "envelope_bandwidth", "from_rayl",
    "into_rayl", "dip_ratio", "bandwidth", "edge_fraction", "threshold_fraction",
}  # fmt: skip
UNITS = (
    "_hz", "_mhz", "_us", "_mm", "_db", "_m_per_s", "_c", "_deg", "_ppm", "_d", "_rayl", "_um",
    "_in", "_kg_per_m3", "_dioptre", "_sample", "_s", "_percent", "_nm", "_db_per_cm_mhz",
)  # fmt: skip


def test_float_parameters_of_the_signal_layer_name_their_unit():
    missing = []
    for parts, tree in _modules():
        if parts[0] not in LAYERS[2]:
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

    from echotrace.chain import decide_by_hand, measure
    from echotrace.envelope import analytic_signal, detect_envelope, matched_filter
    from echotrace.pulse import gaussian_pulse
    from echotrace.receiver import apply_receiver, log_compress, undo_receiver
    from echotrace.recording import Receiver
    from echotrace.sitting import summarise

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
