"""The echoes of one eye at one pose, without noise and receiver.

They are computed once and kept as two spectra: of the cornea, and of everything behind it, which
moves as one when contact shortens the chamber.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.synthesis.alignment import length_along_beam
from echotrace.synthesis.beam import BeamPath, attenuation, reflection
from echotrace.synthesis.eye_model import EyeModel
from echotrace.synthesis.facets import interface_response
from echotrace.synthesis.probe import Band, Disc, pulse_band, pulse_spectrum
from echotrace.synthesis.scatter import (
    BACKSCATTER_PER_CM_SR,
    Speckle,
    layer_speckle,
    point_speckle,
)

__all__ = ["EyeEchoes", "SampleGrid", "eye_echoes"]

_ECHO_WINDOW_US = 3.6
# The canal in choroid and sclera, the nerve behind it, and its sheath, which keeps the fat away
# (handbook values from memory: 1.8, 3 and 5 mm across).
_NERVE_HEAD_RADIUS_MM, _NERVE_RADIUS_MM, _NERVE_SHEATH_RADIUS_MM = 0.9, 1.5, 2.5
_NERVE_HOLES_MM = {
    "choroid": _NERVE_HEAD_RADIUS_MM,
    "sclera": _NERVE_HEAD_RADIUS_MM,
    "orbit": _NERVE_SHEATH_RADIUS_MM,
}
_IMPLANT_BOUNCES = 6
_LAYERS = {
    "retina": ("retina", "retina_mm"),
    "choroid": ("choroid", "choroid_mm"),
    "sclera": ("sclera", "sclera_mm"),
    "orbit": ("orbital_fat", "orbit_mm"),
}


class SampleGrid:
    """Sampling of a trace, and the spectra of its echoes.

    Parameters
    ----------
    disc : Disc
    sampling_rate_hz : float
    n_samples : int

    Attributes
    ----------
    frequency_hz : ndarray of float64, (n_bins,)
        The bins of a padded transform that hold the pulse; spectra are kept for these only.

    Examples
    --------
    >>> SampleGrid(Disc(), 100e6, 4096).delay_us[:3].tolist()
    [0.0, 0.01, 0.02]
    """

    def __init__(self, disc: Disc, sampling_rate_hz: float, n_samples: int) -> None:
        self.sampling_rate_hz = sampling_rate_hz
        self.n_samples = n_samples
        per_us = sampling_rate_hz * 1e-6
        self._n_local = 2 * math.ceil(0.5 * _ECHO_WINDOW_US * per_us)
        self.band: Band = pulse_band(disc, self._n_local / per_us)
        pad = self._n_local
        self.n_padded = int(scipy.fft.next_fast_len(n_samples + 2 * pad, real=True))
        step_hz = sampling_rate_hz / self.n_padded
        self.first_bin = max(1, math.floor(self.band.frequency_hz[0] / step_hz))
        last_bin = math.ceil(self.band.frequency_hz[-1] / step_hz)
        last_bin = min(last_bin, self.n_padded // 2)
        self.frequency_hz = np.arange(self.first_bin, last_bin + 1) * step_hz
        self._pulse = pulse_spectrum(disc, self.frequency_hz)
        # Scaled so that a unit weight gives a pulse of unit peak.
        self._pulse *= self.n_padded / (2.0 * self._pulse.sum())
        self._local = np.arange(self._n_local) - self._n_local // 2
        self._first_local = round(self.band.frequency_hz[0] * self._n_local / sampling_rate_hz)
        self._omega_per_sample = 2.0 * math.pi * self.band.frequency_hz / sampling_rate_hz

    @property
    def delay_us(self) -> NDArray[np.float64]:
        """Delay of each sample, µs."""
        return np.arange(self.n_samples, dtype=np.float64) * (1e6 / self.sampling_rate_hz)

    def new_trace(self) -> NDArray[np.float64]:
        """An empty padded trace.

        Returns
        -------
        ndarray of float64, (n_padded,)
        """
        return np.zeros(self.n_padded)

    def add_echo(
        self, trace: NDArray[np.float64], response: NDArray[np.complex128], delay_us: float
    ) -> tuple[float, float, float]:
        """Add the echo of a transfer function at a delay.

        Parameters
        ----------
        trace : ndarray of float64, (n_padded,)
            Is changed.
        response : ndarray of complex128, (n_frequencies,)
            Transfer function in the band, the delay taken out.
        delay_us : float
            NaN adds nothing.

        Returns
        -------
        peak, shift_us, fit_shift_us : float
            Largest magnitude of the echo's envelope, how much later than ``delay_us`` it comes,
            and how much later the transmitted pulse fits the echo best (least squares).
        """
        if not math.isfinite(delay_us):
            return 0.0, math.nan, math.nan
        position = delay_us * self.sampling_rate_hz * 1e-6
        nearest = round(position)
        turned = (
            response
            * self.band.spectrum
            * np.exp(1j * self._omega_per_sample * (nearest - position))
        )
        analytic = self._local_echo(turned)
        index = nearest + self._local
        inside = (index >= 0) & (index < self.n_padded)
        trace[index[inside]] += analytic.real[inside]
        # An echo whose spectrum the way has tilted is no delayed pulse any more: its crest and
        # the best fit of the pulse, the crest of its correlation with it, come apart.
        shifts_us = []
        for envelope in (np.abs(analytic), np.abs(self._local_echo(turned * self.band.spectrum))):
            top = int(envelope.argmax())
            shift = nearest + self._local[top] + _vertex(envelope, top) - position
            shifts_us.append(shift / (self.sampling_rate_hz * 1e-6))
        return float(np.abs(analytic).max()), shifts_us[0], shifts_us[1]

    def _local_echo(self, spectrum: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Analytic signal around the echo of a spectrum given in the band."""
        bins = np.zeros(self._n_local, np.complex128)
        bins[self._first_local : self._first_local + spectrum.size] = spectrum
        return np.roll(scipy.fft.ifft(bins, norm="forward"), self._n_local // 2)

    def spectrum(self, trace: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Spectrum of a padded trace in the bins that hold the pulse.

        Parameters
        ----------
        trace : ndarray of float64, (n_padded,)

        Returns
        -------
        ndarray of complex128, (n_bins,)
        """
        whole = scipy.fft.rfft(trace)
        return np.asarray(whole[self.first_bin : self.first_bin + self.frequency_hz.size])

    def speckle_spectrum(
        self, speckle: Speckle, loss: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """Spectrum of scatterers' echoes with the pulse and a loss put on.

        Parameters
        ----------
        speckle : Speckle
        loss : ndarray of float64, (n_bins,)
            Amplitude factor at each frequency.

        Returns
        -------
        ndarray of complex128, (n_bins,)
        """
        n = speckle.baseband.size
        start = max(0, speckle.first_sample)
        stop = min(self.n_padded, speckle.first_sample + n)
        padded = np.zeros(self.n_padded, np.complex128)
        if stop > start:
            padded[start:stop] = speckle.baseband[
                start - speckle.first_sample : stop - speckle.first_sample
            ]
        whole = scipy.fft.fft(padded)
        part = whole[self.first_bin : self.first_bin + self.frequency_hz.size]
        return np.asarray(part * self._pulse * loss)

    def shifted(
        self, spectrum: NDArray[np.complexfloating], shift_us: float
    ) -> NDArray[np.complex128]:
        """Spectrum of the same echoes some time later.

        Parameters
        ----------
        spectrum : ndarray, (n_bins,)
        shift_us : float
            µs; negative is earlier.

        Returns
        -------
        ndarray of complex128, (n_bins,)
        """
        return np.asarray(spectrum * np.exp(-2j * math.pi * self.frequency_hz * shift_us * 1e-6))

    def trace(self, spectrum: NDArray[np.complexfloating]) -> NDArray[np.float64]:
        """Samples of a spectrum.

        Parameters
        ----------
        spectrum : ndarray, (n_bins,)

        Returns
        -------
        ndarray of float64, (n_samples,)
        """
        whole = np.zeros(self.n_padded // 2 + 1, np.complex128)
        whole[self.first_bin : self.first_bin + self.frequency_hz.size] = spectrum
        return np.asarray(scipy.fft.irfft(whole, self.n_padded)[: self.n_samples])


def _vertex(values: NDArray[np.float64], top: int) -> float:
    """Position of the crest of a parabola through three samples, relative to the middle one."""
    if not 0 < top < values.size - 1:
        return 0.0
    before, at, after = values[top - 1 : top + 2]
    bend = before - 2.0 * at + after
    return 0.0 if bend == 0.0 else float(0.5 * (before - after) / bend)


@dataclass(frozen=True, slots=True, eq=False)
class EyeEchoes:
    """Echoes of one eye at one pose.

    Attributes
    ----------
    path : BeamPath
    front, inner : ndarray of complex64, (n_bins,)
        Spectra of the cornea's echoes and of all others.
    names : tuple of str
        Names of the interfaces.
    delay_us, peak, shift_us, fit_shift_us : ndarray of float64, (n_interfaces,)
        Arrival along the chief ray; largest magnitude of the echo's envelope (a perfect plane
        reflector in front of the disc gives 1); how much later than the arrival it comes; how
        much later the transmitted pulse fits best.
    beam_length_mm : float

    Examples
    --------
    >>> from echotrace.synthesis import Synthesis
    >>> Synthesis({"scans": 1}).echoes(0).names[:2]
    ('cornea_front', 'cornea_back')
    """

    path: BeamPath
    front: NDArray[np.complex64]
    inner: NDArray[np.complex64]
    names: tuple[str, ...]
    delay_us: NDArray[np.float64]
    peak: NDArray[np.float64]
    shift_us: NDArray[np.float64]
    fit_shift_us: NDArray[np.float64]
    beam_length_mm: float


def eye_echoes(
    disc: Disc,
    grid: SampleGrid,
    eye: EyeModel,
    path: BeamPath,
    rng: np.random.Generator,
    *,
    on_nerve: bool = False,
) -> EyeEchoes:
    """Compute all echoes of an eye along a beam.

    Parameters
    ----------
    disc : Disc
    grid : SampleGrid
    eye : EyeModel
    path : BeamPath
    rng : numpy.random.Generator
        For the scatterers.
    on_nerve : bool
        The beam falls on the nerve head: choroid, sclera and orbital fat are missing there.

    Returns
    -------
    EyeEchoes

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.sections import MethodSection
    >>> disc, eye = Disc(edge_taper=1.0), SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(disc, eye, MethodSection(), Pose())
    >>> grid, rng = SampleGrid(disc, 100e6, 5376), np.random.default_rng(1)
    >>> echoes = eye_echoes(disc, grid, eye, path, rng)
    >>> dict(zip(echoes.names, echoes.delay_us.round(2).tolist()))["retina"]
    44.18
    """
    names = tuple(surface.name for surface in path.surfaces)
    front, inner = grid.new_trace(), grid.new_trace()
    delay = path.delay_us.copy()
    peak = np.zeros(len(names))
    shift, fit_shift = np.full(len(names), np.nan), np.full(len(names), np.nan)
    for j, name in enumerate(names):
        if on_nerve and name in _NERVE_HOLES_MM:
            delay[j] = np.nan
            continue
        response = interface_response(disc, path, j, grid.band)
        trace = front if name.startswith("cornea") else inner
        peak[j], shift[j], fit_shift[j] = grid.add_echo(trace, response, float(delay[j]))
        if name == "lens_back" and eye.lens_state == "pseudophakic":
            _add_bounces(grid, inner, path, j, response)
    spectrum = grid.spectrum(inner)
    for speckle in _speckles(disc, grid, eye, path, rng, on_nerve):
        loss = attenuation(path, speckle.layer, grid.frequency_hz)
        spectrum = spectrum + grid.speckle_spectrum(speckle, loss)
    return EyeEchoes(
        path=path,
        front=grid.spectrum(front).astype(np.complex64),
        inner=spectrum.astype(np.complex64),
        names=names,
        delay_us=delay,
        peak=peak,
        shift_us=shift,
        fit_shift_us=fit_shift,
        beam_length_mm=length_along_beam(path, "cornea_front", "retina"),
    )


def _add_bounces(
    grid: SampleGrid,
    trace: NDArray[np.float64],
    path: BeamPath,
    j: int,
    response: NDArray[np.complex128],
) -> None:
    """Echoes that went up and down inside the implant again; its faces taken as parallel."""
    inside = path.media[j]
    # Seen from within, both faces reflect with the opposite sign of the front seen from before.
    per_bounce = -reflection(path, j - 1) * reflection(path, j)
    mhz = grid.band.frequency_hz * 1e-6
    way_cm = 2.0 * path.length_mm[j] / 10.0
    loss_db = inside.attenuation_db_per_cm_mhz * mhz**inside.attenuation_exponent * way_cm
    once = per_bounce * 10.0 ** (-loss_db / 20.0)
    time_us = 2.0 * path.length_mm[j] / path.speed_mm_per_us[j]
    for bounce in range(1, _IMPLANT_BOUNCES + 1):
        grid.add_echo(trace, response * once**bounce, path.delay_us[j] + bounce * time_us)


def _speckles(
    disc: Disc,
    grid: SampleGrid,
    eye: EyeModel,
    path: BeamPath,
    rng: np.random.Generator,
    on_nerve: bool,
) -> Sequence[Speckle]:
    found: list[Speckle | None] = []
    rate = grid.sampling_rate_hz
    strength = 10.0 ** (0.1 * eye.backscatter_db)
    for name, (tissue, thickness) in _LAYERS.items():
        hole = _NERVE_HOLES_MM.get(name, 0.0) if on_nerve else 0.0
        found.append(
            layer_speckle(
                disc,
                path,
                path.index(name),
                getattr(eye, thickness),
                strength * BACKSCATTER_PER_CM_SR[tissue],
                rng,
                sampling_rate_hz=rate,
                inner_radius_mm=hole,
            )
        )
    if on_nerve:
        found.append(
            layer_speckle(
                disc,
                path,
                path.index("retina"),
                5.0,
                strength * BACKSCATTER_PER_CM_SR["optic_nerve"],
                rng,
                sampling_rate_hz=rate,
                outer_radius_mm=_NERVE_RADIUS_MM,
            )
        )
    if eye.cataract_grade > 0.0 and eye.lens_state == "phakic":
        found += _cataract(disc, eye, path, rng, rate)
    for _ in range(eye.vitreous_opacities):
        found.append(_clump(disc, eye, path, rng, rate))
    return [item for item in found if item is not None]


def _cataract(
    disc: Disc, eye: EyeModel, path: BeamPath, rng: np.random.Generator, rate: float
) -> list[Speckle | None]:
    """Diffuse scatter of the lens, and a few denser lamellae that stand out as false spikes."""
    j = path.index("lens_front")
    diffuse = BACKSCATTER_PER_CM_SR["lens"] * 10.0 ** (0.8 * eye.cataract_grade)
    found = [layer_speckle(disc, path, j, eye.lens_mm, diffuse, rng, sampling_rate_hz=rate)]
    for _ in range(math.ceil(eye.cataract_grade)):
        depth = eye.lens_mm * (0.12 + 0.76 * rng.random())
        density = 60.0 * 10.0 ** rng.normal(0.0, 0.4)
        found.append(
            layer_speckle(
                disc,
                path,
                j,
                0.06,
                diffuse * density,
                rng,
                sampling_rate_hz=rate,
                first_depth_mm=depth,
            )
        )
    return found


def _clump(
    disc: Disc, eye: EyeModel, path: BeamPath, rng: np.random.Generator, rate: float
) -> Speckle | None:
    """A clump of about 0.3 mm somewhere in the vitreous near the beam."""
    last = "lens_back" if "lens_back" in [item.name for item in path.surfaces] else "cornea_back"
    n = 60
    place = rng.normal(0.0, 1.0, 2)
    depth = eye.vitreous_mm * (0.1 + 0.8 * rng.random())
    spread = rng.normal(0.0, 0.15, (3, n))
    strength = rng.standard_normal(n) * 2e-3
    return point_speckle(
        disc,
        path,
        path.index(last),
        place[0] + spread[0],
        place[1] + spread[1],
        depth + spread[2],
        strength,
        sampling_rate_hz=rate,
    )
