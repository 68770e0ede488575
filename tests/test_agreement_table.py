"""Every statistic of a comparison against R: the values stored here, and R itself where it is."""

from __future__ import annotations

import pytest
from agreement_table import digits, has_r, main, ours, reference

FEWEST = {"Shapiro-Wilk p": 7.0, "SD between subjects (lme4)": 6.0}
"""Two programs of the same approximation, and an optimiser; all else agrees to nine digits."""


@pytest.fixture(scope="module")
def found():
    return ours()


def test_statistics_are_those_of_r(found):
    """R 4.2.2 with lme4 1.1.31; ``agreement_reference/fit.R`` says how."""
    wanted = reference(live=False)
    table = digits(found, wanted)
    assert {study: set(values) for study, values in found.items()} == {
        study: set(values) for study, values in wanted.items()
    }
    assert len(found) == 20
    assert {n for n, _ in table.values()} == {10, 20}
    poor = {name: worst for name, (_, worst) in table.items() if worst < FEWEST.get(name, 9.0)}
    assert not poor


def test_a_wrong_digit_is_seen(found):
    wanted = reference(live=False)
    wanted["07"]["bias"] *= 1.0 + 1e-6
    assert digits(found, wanted)["bias"][1] == pytest.approx(6.0, abs=0.01)


@pytest.mark.slow
def test_r_as_it_is_here_gives_what_is_stored(found):
    if not has_r():
        pytest.skip("R with lme4 is not installed")
    live = reference(live=True)
    table = digits(live, reference(live=False))
    assert min(worst for _, worst in table.values()) > 5.0
    table = digits(found, live)
    assert all(worst >= FEWEST.get(name, 9.0) - 1.0 for name, (_, worst) in table.items())


def test_the_command_prints_the_table(capsys, monkeypatch):
    monkeypatch.setattr("agreement_table.has_r", lambda: False)
    main(0)
    out = capsys.readouterr().out
    assert "R's values as stored" in out
    assert "| bias | 20 |" in out
