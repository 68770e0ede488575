"""The gates for numbers and settings that come in."""

import math

import numpy as np
import pytest

from echotrace.errors import FileFormatError, ParameterError
from echotrace.user_input import number, read_toml, shorten, whole_number


@pytest.mark.parametrize(
    ("value", "expected"),
    [("3", 3.0), (" -2.5 ", -2.5), ("1e-3", 1e-3), (".5", 0.5), ("5.", 5.0), (7, 7.0),
     (np.float32(0.5), 0.5), (np.int16(-3), -3.0)],
)  # fmt: skip
def test_plain_numbers_are_read(value, expected):
    assert number(value, "x") == expected


@pytest.mark.parametrize(
    "value",
    ["", "--", "³", "1_000", "２", "0x10", "1,5", "nan", "inf", "-inf", "9" * 5000, "1e9999",
     "1e99999", "1e400", True, None, [1.0], 10**400, math.nan, math.inf, "1 2", "1\n2"],
)  # fmt: skip
def test_anything_else_is_refused_in_one_short_line(value):
    with pytest.raises(ParameterError) as caught:
        number(value, "gain_db")
    text = str(caught.value)
    assert len(text) < 200
    assert text.startswith("gain_db")


@pytest.mark.parametrize(
    ("limits", "inside", "outside", "says"),
    [
        ({"low": 0.0, "high": 2.0}, 2.0, 2.0001, "must lie between 0 and 2"),
        ({"low": 0.0, "above": True}, 1e-300, 0.0, "must be above 0"),
        ({"low": 0.0}, 0.0, -1e-300, "must be 0 or more"),
        ({"high": 5.0, "unit": "dB"}, 5.0, 6.0, "must be 5 dB or less"),
        ({"low": 1.0, "high": 2.0, "above": True, "unit": "mm"}, 2.0, 1.0, "at most 2 mm"),
    ],
)
def test_ranges(limits, inside, outside, says):
    assert number(inside, **limits) == inside
    with pytest.raises(FileFormatError, match=says):
        number(outside, error=FileFormatError, **limits)


def test_infinite_and_missing_where_they_mean_something():
    assert number("inf", infinite=True) == math.inf
    assert math.isnan(number("nan", missing=True))
    with pytest.raises(ParameterError, match="must be 0 or more"):
        number("-inf", low=0.0, infinite=True)


def test_whole_numbers():
    assert whole_number("12", low=0, high=32) == 12
    assert whole_number(np.int64(-4)) == -4
    for value in ("1.0", "³", "1e3", "", "--", "9" * 5000, 1.0, True, 10**5000, "1_0", None):
        with pytest.raises(ParameterError, match=r"is not a whole number|is too large"):
            whole_number(value, "bits")
    with pytest.raises(ParameterError, match="seed=-1 must be 0 or more"):
        whole_number(-1, "seed", low=0)


def test_long_echoes_are_cut():
    assert shorten("short") == "short"
    assert len(shorten("x" * 100_000)) == 60
    assert shorten("a" * 50 + "b" * 50).endswith("b" * 30)


@pytest.mark.parametrize(
    "text",
    ["a = " + "9" * 5000, "a = 2024-02-30", "a = " + "[" * 5000, "a = 1979-05-27T25:00:00Z",
     "\x00", "a = 1\na = 2", "a" * 100_000],
)  # fmt: skip
def test_whatever_the_parser_raises_is_one_error_with_the_file(tmp_path, text):
    path = tmp_path / "s.toml"
    path.write_text(text)
    with pytest.raises(ParameterError, match="not a TOML file") as caught:
        read_toml(path)
    assert str(path) in str(caught.value)
    assert len(str(caught.value)) < 400 + len(str(path))
