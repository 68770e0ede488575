"""Every example in a docstring runs and prints what it says.

What takes many lines to make stands in examples by its name alone: `READY` makes it, once, for
those that use a name that they do not define.
"""

import doctest
import importlib
import pkgutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from closed_form import COMPILED, echo

import echotrace
import echotrace as et
from echotrace.tuning.space import Factor

TOP = Path(__file__).parents[1]
MODULES = [
    item.name
    for item in pkgutil.walk_packages(echotrace.__path__, "echotrace.")
    if not item.name.endswith("__main__")
]


# Not run: what changes the process, its streams or its signals, and main programs of minutes.
SKIPPED = 9


@cache
def check():
    """A block of two steps of steel, touched by the probe."""
    t_us = np.arange(2400) / 100.0
    rf = 0.003 * np.random.default_rng(1).standard_normal((2, t_us.size)) + [
        echo(t_us, 0.0, 3.0)
        + sum(echo(t_us, 0.8 + 2e3 * k * mm / 5920, 0.8**k, np.pi * k) for k in range(1, 6))
        for mm in (5.0, 10.0)
    ]
    recording = et.Recording(
        samples=rf, sampling_rate_hz=100e6, start_delay_us=0.0, method="contact", eye="none",
        lens_state="none", sitting=["thin", "thick"],
        probe=et.Probe(centre_frequency_hz=10e6, fractional_bandwidth=0.6, face_delay_us=0.8),
    )  # fmt: skip
    steel = et.Medium(
        name="steel", speed_m_per_s=5920.0, speed_u_m_per_s=2.0, temperature_c=20.0,
        source="value from memory",
    )  # fmt: skip
    return et.check_block(
        recording, [5.0, 10.0], thickness_u_mm=0.002, material=steel, tolerance_mm=0.05
    )


@cache
def tuning():
    """The least sweep that has indices."""
    space = et.Space(
        factors=(
            Factor(key="envelope.bandwidth", low=0.5, high=2.0),
            Factor(key="picking.search_threshold_db", low=10.0, high=16.0),
        )
    )
    family = "synthetic_traces/population_immersion.toml"
    return et.tune(family, space, design="sensitivity", n=4, traces=20)


@cache
def agreement():
    """Two methods, six subjects, two readings by two operators."""
    rng = np.random.default_rng(1)
    subject, operator, method = (
        side.ravel() for side in np.meshgrid(range(6), range(2), range(2), indexing="ij")
    )
    value = 23.0 + 0.5 * subject + 0.1 * method + rng.normal(0.0, 0.03, (2, subject.size))
    return et.compare_methods(
        et.Study(
            value=value.ravel(),
            subject=[f"S{k}" for k in np.tile(subject, 2)],
            operator=[f"op{k}" for k in np.tile(operator, 2)],
            method=[("contact", "immersion")[k] for k in np.tile(method, 2)],
        )
    )


READY = {made.__name__: made for made in (check, tuning, agreement)}


def _names_ready(test):
    """Names that the examples of a docstring use of those that are made here."""
    codes = [compile(one.source, test.name, "single") for one in test.examples]
    return READY.keys() & {word for code in codes for word in code.co_names} - test.globs.keys()


def _examples(name):
    finder = doctest.DocTestFinder(exclude_empty=True)
    module = importlib.import_module(name)
    return [test for test in finder.find(module, name) if test.examples]


def test_modules_are_found():
    assert {"echotrace.power.lens_power", "echotrace.sittings.sitting"} <= set(MODULES)
    assert sum(len(_examples(f"echotrace.power.{name}")) for name in ("table", "formulas")) >= 3


def test_few_examples_are_skipped():
    skips = [
        one
        for name in MODULES
        for test in _examples(name)
        for one in test.examples
        if one.options.get(doctest.SKIP)
    ]
    assert len(skips) <= SKIPPED, [one.source for one in skips]


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name, monkeypatch, tmp_path):
    # Examples read the recordings that come with the repository and write into `folder`.
    monkeypatch.chdir(TOP)
    monkeypatch.setenv("MPLBACKEND", "agg")
    examples = _examples(name)
    if not COMPILED:
        # Whole recordings are too much for kernels in plain Python.
        examples = [
            test
            for test in examples
            if "synthetic_traces" not in test.docstring and not _names_ready(test)
        ]
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    said = []
    with np.printoptions(legacy=False):
        for k, test in enumerate(examples):
            test.globs |= {word: READY[word]() for word in _names_ready(test)}
            test.globs["folder"] = tmp_path / str(k)
            test.globs["folder"].mkdir()
            runner.run(test, out=said.append)
    assert runner.failures == 0, "".join(said)
