"""What foreign files do not say, as an object and as TOML: one file for a probe or an export."""

import dataclasses
import math
import tomllib
import typing

import numpy as np
import pytest

import echotrace as et
from echotrace.cli import main
from echotrace.errors import ParameterError
from echotrace.files.description import Details, ImportDescription
from echotrace.recording import Probe, Receiver

# Every key once, with values that are not the defaults.
WHOLE = """
[file]
format = "text"
variable = "rf"
samples_first = true
other_files = true
delimiter = "semicolon"
decimal = "comma"
skip_lines = 3
index_column = false

[time]
sampling_rate_hz = 1e8
sampling_rate_variable = "fs"
start_delay_us = -0.5
start_delay_variable = "t0"
time_unit = "ns"
ignore_file_timing = true

[traces]
signal = "envelope"
method = ["contact", "immersion"]
eye = "left"
lens_state = "pseudophakic"
lens_material = "acrylic"
vitreous = "silicone_oil_1000"
target = "block"
subject = "demo-7"
operator = ["A", "B"]
sitting = "2"
gain_db = [40.0, 46.0]

[probe]
centre_frequency_hz = 2e7
fractional_bandwidth = 0.5
aperture_mm = 7.0
focus_mm = inf
face_delay_us = 0.4
face_delay_u_us = 0.01

[receiver]
tgc_delay_us = [0.0, 10.0]
tgc_gain_db = [-3.0, 20.0]
full_scale = 2.0
bits = 12
"""
RAMP = np.floor(2000 * np.sin(np.arange(2 * 80) ** 1.3).reshape(2, 80)).astype(np.int16)


@pytest.fixture
def described(tmp_path):
    path = tmp_path / "export.toml"
    path.write_text(WHOLE, encoding="utf-8")
    return path


def test_every_attribute_can_be_read(described):
    told = et.read_description(described)
    assert told == ImportDescription(
        format="text", variable="rf", samples_first=True, other_files=True, delimiter="semicolon",
        decimal="comma", skip_lines=3, index_column=False, sampling_rate_hz=1e8,
        sampling_rate_variable="fs", start_delay_us=-0.5, start_delay_variable="t0",
        time_unit="ns", ignore_file_timing=True, signal="envelope",
        method=("contact", "immersion"), eye="left", lens_state="pseudophakic",
        lens_material="acrylic", vitreous="silicone_oil_1000", target="block", subject="demo-7",
        operator=("A", "B"), sitting="2", gain_db=(40.0, 46.0),
        probe=Probe(
            centre_frequency_hz=2e7, fractional_bandwidth=0.5, aperture_mm=7.0, focus_mm=math.inf,
            face_delay_us=0.4, face_delay_u_us=0.01,
        ),
        receiver=Receiver(
            tgc_delay_us=(0.0, 10.0), tgc_gain_db=(-3.0, 20.0), full_scale=2.0, bits=12
        ),
    )  # fmt: skip
    # Nothing is left at its default, so no attribute is forgotten above or by the reader.
    for f in dataclasses.fields(told):
        assert getattr(told, f.name) != f.default, f.name


def test_round_trip(described, tmp_path):
    told = et.read_description(described)
    et.write_description(told, tmp_path / "again.toml")
    assert et.read_description(tmp_path / "again.toml") == told
    # By another reader of TOML: the same keys and values as were written by hand.
    again = tomllib.loads((tmp_path / "again.toml").read_text(encoding="utf-8"))
    assert again == tomllib.loads(WHOLE)


def test_what_is_not_stated_is_not_written(tmp_path):
    et.write_description(ImportDescription(), tmp_path / "nothing.toml")
    assert (tmp_path / "nothing.toml").read_text(encoding="utf-8") == ""
    probe = et.Probe(centre_frequency_hz=1e7)
    et.write_description(ImportDescription(probe=probe), tmp_path / "probe.toml")
    text = (tmp_path / "probe.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text) == {
        "probe": {"centre_frequency_hz": 1e7, "fractional_bandwidth": 0.6}
    }
    read = et.read_description(tmp_path / "probe.toml").probe
    assert math.isnan(read.face_delay_us)
    assert math.isnan(read.aperture_mm)


def test_keywords_and_attributes_are_the_same():
    fields = {f.name: f.type for f in dataclasses.fields(ImportDescription)}
    keywords = typing.get_type_hints(Details)
    assert keywords == {name: typing.get_type_hints(ImportDescription)[name] for name in fields}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[probes]\nx = 1", r"export.toml: unknown key 'probes': did you mean 'probe'\?"),
        ("[time]\nsampling_rate_mhz = 100", r"\[time\]: .*did you mean 'sampling_rate_hz'\?"),
        ("[probe]\ncentre_frequency_mhz = 10", r"\[probe\]: .* mean 'centre_frequency_hz'\?"),
        ("[file]\nsampling_rate_hz = 1e8", r"\[file\]: unknown key 'sampling_rate_hz'"),
        ("time = 3", r"\[time\]: must be a table of keys, got 3"),
        ("[time]\nsampling_rate_hz = '1e8'", r"\[time\]: sampling_rate_hz must be a number, got '"),
        ("[time]\nsampling_rate_hz = 100.0", r"\[time\]: sampling_rate_hz=100.0 .*is the unit Hz"),
        ("[time]\nstart_delay_us = inf", r"\[time\]: start_delay_us=inf must be finite"),
        ("[time]\ntime_unit = 'mus'", r"\[time\]: time_unit='mus': .*use one of s, ms, us, ns"),
        ("[file]\nsamples_first = 'yes'", r"samples_first must be true or false, got 'yes'"),
        ("[file]\nskip_lines = 1.5", r"\[file\]: skip_lines=1.5 is not a whole number"),
        ("[file]\nvariable = 3", r"\[file\]: variable must be a text, got 3"),
        ("[traces]\nmethod = 'imersion'", r"method='imersion': did you mean 'immersion'\?"),
        ("[traces]\nmethod = ['contact', 'air']", r"\[traces\]: method='air': use one of contact"),
        ("[traces]\nmethod = 3", r"\[traces\]: method must be a text, got 3"),
        ("[traces]\nsitting = 2", r"\[traces\]: sitting must be a text, got 2"),
        ("[traces]\ngain_db = ['40']", r"\[traces\]: gain_db must be a number, got '40'"),
        ("[probe]\nfocus_mm = 25.0", r"\[probe\]: centre_frequency_hz must be given"),
        ("[probe]\ncentre_frequency_hz = 10.0", r"\[probe\]: centre_frequency_hz=10.0 .*Hz"),
        ("[receiver]\ntgc_delay_us = 3.0", r"\[receiver\]: tgc_delay_us must be a list of numbers"),
        ("[receiver]\ntgc_delay_us = [1.0]", r"\[receiver\]: 1 tgc_delay_us for 0"),
        ("[receiver]\nbits = 40", r"\[receiver\]: bits=40 must be 2 to 16"),
        ("[time", "not a TOML file"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_file_table_and_key(tmp_path, text, words):
    path = tmp_path / "export.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError, match=words) as caught:
        et.read_description(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)
    assert str(caught.value).count("export.toml") == 1


def test_a_description_stands_for_keywords_and_keywords_override_it(tmp_path):
    path = tmp_path / "a.npy"
    np.save(path, RAMP)
    details = {
        "sampling_rate_hz": 1e8, "start_delay_us": 0.5, "signal": "rf", "method": "other",
        "target": "block", "probe": Probe(centre_frequency_hz=1e7), "gain_db": [40.0, 46.0],
    }  # fmt: skip
    by_keywords = et.import_recording(path, **details)
    described = ImportDescription(**details)
    by_description = et.import_recording(path, described)
    for name in ("sampling_rate_hz", "start_delay_us", "signal"):
        assert getattr(by_description, name) == getattr(by_keywords, name)
    assert np.array_equal(by_description.samples, by_keywords.samples)
    assert np.array_equal(by_description.gain_db, by_keywords.gain_db)
    assert by_description.target.labels == by_keywords.target.labels == ("block",)
    changed = et.import_recording(path, described, subject="demo-3", gain_db=20.0)
    assert changed.subject.labels == ("demo-3",)
    assert changed.gain_db.tolist() == [20.0, 20.0]
    assert changed.sampling_rate_hz == 1e8
    with pytest.raises(TypeError, match=r"'sampling_rate': did you mean 'sampling_rate_hz'"):
        et.import_recording(path, described, sampling_rate=1e8)
    with pytest.raises(ParameterError, match=r"a.npy: sampling_rate_hz=100.0 .*is the unit Hz"):
        et.import_recording(path, described, sampling_rate_hz=100.0)


def test_the_command_takes_a_description(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    np.save("a.npy", RAMP)
    (tmp_path / "export.toml").write_text(
        "[time]\nsampling_rate_hz = 1e8\nstart_delay_us = 0.5\n"
        "[traces]\nsignal = 'rf'\nmethod = 'contact'\neye = 'left'\nlens_state = 'phakic'\n"
        "operator = 'A'\n"
        "[probe]\ncentre_frequency_hz = 1e7\nface_delay_us = 0.4\n"
        "[receiver]\nfull_scale = 2.0\nbits = 12\n",
        encoding="utf-8",
    )
    more = ["--eye", "right", "--face-delay-us", "0.7", "--bits", "10", "--subject", "demo-2"]
    command = ["import", "a.npy", "-o", "out.h5", "--description", "export.toml", *more]
    assert main(command) == 0, capsys.readouterr().err
    made = et.read("out.h5")
    labels = [getattr(made, name).labels[0] for name in ("eye", "method", "subject", "operator")]
    assert labels == ["right", "contact", "demo-2", "A"]
    assert (made.probe.centre_frequency_hz, made.probe.face_delay_us) == (1e7, 0.7)
    assert made.receiver == Receiver(full_scale=2.0, bits=10)
    capsys.readouterr()
    assert main(["import", "a.npy", "-o", "b.h5", "--description", "none.toml"]) == 2
    err = capsys.readouterr().err
    assert "none.toml" in err
    assert err.count("\n") == 1
    assert main(["import", "a.npy", "-o", "export.toml.h5", "--description", "a.npy"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
