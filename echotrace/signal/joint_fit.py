"""Joint least-squares fit of several echoes of one pulse, whose shape may be a little off.

Heights and phases are linear in the model and are projected out (variable projection); what is
iterated over are the delays and, where asked for, three numbers by which the pulse differs from its
template: tilt and curvature of its log spectrum, and a chirp.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.signal.pulse import Pulse

__all__ = ["SHAPES", "JointFit", "best_second_sample", "first_and_last", "fit_echoes"]

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

SHAPES = 3
"""Numbers that a shaped fit has beside those of its echoes."""

_ITERATIONS = 40
# A step of a thousandth of a sample, or of the shape, moves nothing that noise does not.
_SETTLED = 1e-3
# Nor does what takes a hundred thousandth off the rest: a hundredth of a standard deviation.
_GAINED = 1e-5
# Beyond so many RMS bandwidths from the carrier a spectrum holds nothing to be bent.
_FAR = 3.5
# Of tilt, curvature and chirp: a Gaussian pulse with its carrier 15 % off at a band of 60 %, a
# quarter longer or a third shorter, and a chirp that doubles its length is another one.
_MOST_SHAPE = np.array([0.75, 0.15, 0.45])
_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFit:
    """Echoes fitted together, one row a window.

    Attributes
    ----------
    sample : ndarray of float64, (n, m)
        Column of each echo in its window, in order of delay.
    height : ndarray of complex128, (n, m)
        Envelope height and phase.
    rest : ndarray of float64, (n,)
        Sum of squares of what the echoes leave.
    covariance : ndarray of float64, (n, m, m)
        Of the delays, samples squared, for noise of unit variance in each sample: the inverse of
        Fisher's information with all other numbers of the fit free. NaN where there is none.
    converged : ndarray of bool, (n,)
        The last step was accepted and moved nothing.
    numbers : int
        Real numbers that were fitted.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.joint_fit import fit_echoes
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.pad(pulse.analytic.real, 30)[None]
    >>> fit = fit_echoes(rf, np.ones(rf.shape, bool), np.array([[58.0]]), pulse)
    >>> fit.sample.round(3).tolist(), fit.numbers, bool(fit.converged[0])
    ([[59.0]], 3, True)
    """

    sample: Float
    height: Complex
    rest: Float
    covariance: Float
    converged: NDArray[np.bool_]
    numbers: int


@dataclass(frozen=True, slots=True)
class _Model:
    """The pulse's spectrum on the grid of a window, and how its shape may change."""

    spectrum: Complex
    omega: Float
    bends: Complex
    width: int

    @classmethod
    def of(cls, pulse: Pulse, width: int) -> _Model:
        size = scipy.fft.next_fast_len(width + 4 * pulse.half_length + 2)
        padded = np.zeros(size, np.complex128)
        padded[: pulse.analytic.size] = pulse.analytic
        turns = np.fft.fftfreq(size)
        x = turns * pulse.sampling_rate_hz - pulse.centre_frequency_hz
        x = np.clip(x / pulse.rms_bandwidth_hz, -_FAR, _FAR)
        spectrum = np.fft.fft(np.roll(padded, -pulse.half_length))
        omega = np.asarray(2.0 * np.pi * turns, np.float64)
        return cls(spectrum, omega, np.array([x, x**2, 1j * x**2]), width)

    def echoes(self, delay: Float, shape: Float) -> tuple[Complex, Complex, Complex]:
        """Unit echoes, and their derivatives by delay and shape: (n, m, w) and (n, m, 3, w)."""
        bends = self.bends[: shape.shape[1]]
        bent = self.spectrum * np.exp(shape @ bends)
        moved = bent[:, None, :] * np.exp(-1j * self.omega * delay[:, :, None])
        unit = np.fft.ifft(moved, axis=-1)[..., : self.width]
        slope = np.fft.ifft(-1j * self.omega * moved, axis=-1)[..., : self.width]
        by_shape = np.fft.ifft(moved[:, :, None, :] * bends, axis=-1)[..., : self.width]
        return unit, slope, by_shape


def fit_echoes(
    rf: Float, used: NDArray[np.bool_], start: Float, pulse: Pulse, *, shaped: bool = False
) -> JointFit:
    """Fit echoes of free delay, height and phase to windows of RF.

    Parameters
    ----------
    rf : ndarray of float64, (n, w)
    used : ndarray of bool, (n, w)
        Samples that count.
    start : ndarray of float64, (n, m)
        Column of each echo to begin with.
    pulse : Pulse
        Template, at the sampling rate of the windows.
    shaped : bool
        Let the pulse of each window differ from the template.

    Returns
    -------
    JointFit

    Notes
    -----
    Variable projection: Golub GH, Pereyra V 1973, SIAM J Numer Anal 10:413, with the derivative of
    Kaufman L 1975, BIT 15:49 (both value from memory), and Levenberg's damping. The covariance is
    the Cramér-Rao bound (Kay SM, Estimation Theory, ch. 3).

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.joint_fit import fit_echoes
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> one = np.pad(pulse.analytic.real, (30, 60))
    >>> rf = (one - 0.7 * np.roll(one, 12))[None]
    >>> fit = fit_echoes(rf, np.ones(rf.shape, bool), np.array([[57.0, 73.0]]), pulse)
    >>> fit.sample.round(2).tolist(), np.abs(fit.height).round(2).tolist()
    ([[59.0, 71.0]], [[1.0, 0.7]])
    """
    n, m = start.shape
    bends = SHAPES if shaped else 0
    model = _Model.of(pulse, rf.shape[1])
    weight = used.astype(np.float64)
    data = rf * weight
    theta = np.concatenate([np.sort(start, axis=1), np.zeros((n, bends))], axis=1)
    damping = np.full(n, 1e-3)
    state = _state(model, data, weight, theta, m)
    settled = np.zeros(n, np.bool_)
    reach = 0.5 * pulse.width_us * pulse.sampling_rate_hz * 1e-6
    # Of an echo further out a window holds but a skirt, which may be of one of any height.
    low, high = first_and_last(used)
    low, high = low - 1.4 * reach, high + 1.4 * reach
    for _ in range(_ITERATIONS):
        rows = np.flatnonzero(~settled & (damping < 1e8))
        if not rows.size:
            break
        normal, gradient = state.normal[rows], state.gradient[rows]
        scale = np.einsum("nii->ni", normal)
        scale = np.maximum(scale, _TINY * np.max(scale, axis=1, keepdims=True) + 1e-300)
        damped = normal + np.einsum("ni,ij->nij", scale * damping[rows, None], np.eye(m + bends))
        step = np.linalg.solve(damped, gradient[..., None])[..., 0]
        step[:, :m] = np.clip(step[:, :m], -reach, reach)
        step[:, m:] = np.clip(step[:, m:], -0.1, 0.1)
        new = theta[rows] + step
        new[:, :m] = np.clip(new[:, :m], low[rows, None], high[rows, None])
        new[:, m:] = np.clip(new[:, m:], -_MOST_SHAPE[:bends], _MOST_SHAPE[:bends])
        moved = np.abs(new - theta[rows]).max(axis=1)
        trial = _state(model, data[rows], weight[rows], new, m)
        gained = state.rest[rows] - trial.rest
        better = gained >= 0.0
        taken = rows[better]
        theta[taken] = new[better]
        state.take(taken, trial, better)
        still = (moved < _SETTLED) | (gained < _GAINED * trial.rest)
        settled[taken] = still[better] & (damping[taken] < 1.0)
        damping[rows] = np.where(better, damping[rows] * 0.2, damping[rows] * 10.0)
        # Where no step helps and none would move anything, the fit is at its best.
        settled[rows] |= ~better & (moved < _SETTLED * 0.1)
    order = np.argsort(theta[:, :m], axis=1)
    inverse = _inverse(state.normal)[:, :m, :m]
    inverse = np.take_along_axis(inverse, order[:, :, None], axis=1)
    inside = ((theta[:, :m] > low[:, None]) & (theta[:, :m] < high[:, None])).all(axis=1)
    return JointFit(
        sample=np.take_along_axis(theta[:, :m], order, axis=1),
        height=np.take_along_axis(state.height, order, axis=1),
        rest=state.rest,
        covariance=np.take_along_axis(inverse, order[:, None, :], axis=2),
        converged=settled & inside & np.isfinite(inverse).all(axis=(1, 2)),
        numbers=3 * m + bends,
    )


def first_and_last(used: NDArray[np.bool_]) -> tuple[Float, Float]:
    """Outermost columns that count, of each window.

    Parameters
    ----------
    used : ndarray of bool, (n, w)

    Returns
    -------
    first, last : ndarray of float64, (n,)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.joint_fit import first_and_last
    >>> first_and_last(np.array([[False, True, True, False]]))
    (array([1.]), array([2.]))
    """
    first = np.argmax(used, axis=1)
    last = used.shape[1] - 1 - np.argmax(used[:, ::-1], axis=1)
    return first.astype(np.float64), last.astype(np.float64)


@dataclass(slots=True)
class _State:
    """Where a fit stands: what is left, and the normal equations of what is iterated over."""

    rest: Float
    height: Complex
    normal: Float
    gradient: Float

    def take(self, rows: NDArray[np.intp], other: _State, chosen: NDArray[np.bool_]) -> None:
        self.rest[rows] = other.rest[chosen]
        self.height[rows] = other.height[chosen]
        self.normal[rows] = other.normal[chosen]
        self.gradient[rows] = other.gradient[chosen]


def _state(model: _Model, data: Float, weight: Float, theta: Float, m: int) -> _State:
    n = data.shape[0]
    unit, slope, by_shape = model.echoes(theta[:, :m], theta[:, m:])
    columns = np.concatenate([unit.real, -unit.imag], axis=1) * weight[:, None, :]
    q, r = np.linalg.qr(columns.transpose(0, 2, 1))
    along = np.einsum("nwk,nw->nk", q, data)
    diagonal = np.abs(np.einsum("nii->ni", r))
    # Two echoes in one place are one: the share of each cannot be told. The second gets none but
    # for noise, by which they part again; a share without bounds would hold both where they are.
    most = diagonal.max(axis=1, keepdims=True)
    alike = np.where(diagonal < 1e-7 * most, most, 0.0)
    safe = r + np.einsum("ni,ij->nij", alike, np.eye(2 * m))
    linear = np.linalg.solve(safe, along[..., None])[..., 0]
    height = linear[:, :m] + 1j * linear[:, m:]
    rest = data - np.einsum("nwk,nk->nw", q, along)
    derivative = np.concatenate(
        [
            np.real(height[..., None] * slope),
            np.real(np.einsum("nm,nmsw->nsw", height, by_shape)),
        ],
        axis=1,
    )
    derivative = (derivative * weight[:, None, :]).transpose(0, 2, 1)
    derivative = derivative - q @ (q.transpose(0, 2, 1) @ derivative)
    return _State(
        np.einsum("nw,nw->n", rest, rest),
        height,
        derivative.transpose(0, 2, 1) @ derivative,
        np.einsum("nwp,nw->np", derivative, rest).reshape(n, -1),
    )


def _inverse(normal: Float) -> Float:
    """Inverse of each matrix, NaN where it is none or lost in rounding."""
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-300))
    scaled = normal / (scale[:, :, None] * scale[:, None, :])
    fit = np.isfinite(scaled).all(axis=(1, 2))
    out = np.full(normal.shape, np.nan)
    values = np.linalg.eigvalsh(np.where(fit[:, None, None], scaled, 0.0))
    fit &= values[:, 0] > 1e-10
    out[fit] = np.linalg.inv(scaled[fit]) / (scale[fit, :, None] * scale[fit, None, :])
    return out


def best_second_sample(
    rf: Float, used: NDArray[np.bool_], fit: JointFit, pulse: Pulse, *, low: Float, high: Float
) -> Float:
    """Where one more echo would leave least, the others staying where they are.

    Parameters
    ----------
    rf, used, pulse
        As for :func:`fit_echoes`.
    fit : JointFit
        Of the echoes there are.
    low, high : ndarray of float64, (n,)
        Columns between which it is looked for.

    Returns
    -------
    ndarray of float64, (n,)
        Column of the new echo, on a grid of a sixth of the pulse's width.

    Notes
    -----
    Orthogonal least squares: Chen S, Billings SA, Luo W 1989, Int J Control 50:1873 (value from
    memory).

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.joint_fit import best_second_sample, fit_echoes
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> one = np.pad(pulse.analytic.real, (30, 60))
    >>> rf = (one - 0.3 * np.roll(one, 25))[None]
    >>> used = np.ones(rf.shape, bool)
    >>> fit = fit_echoes(rf, used, np.array([[59.0]]), pulse)
    >>> low, high = np.array([30.0]), np.array([100.0])
    >>> best_second_sample(rf, used, fit, pulse, low=low, high=high).round().tolist()
    [84.0]
    """
    model = _Model.of(pulse, rf.shape[1])
    weight = used.astype(np.float64)
    n = rf.shape[0]
    none = np.zeros((1, 0))
    unit = model.echoes(fit.sample, np.zeros((n, 0)))[0]
    columns = np.concatenate([unit.real, -unit.imag], axis=1) * weight[:, None, :]
    q = np.linalg.qr(columns.transpose(0, 2, 1))[0]
    data = rf * weight
    rest = data - np.einsum("nwk,nk->nw", q, np.einsum("nwk,nw->nk", q, data))
    step = max(1.0, pulse.width_us * pulse.sampling_rate_hz * 1e-6 / 6.0)
    places = np.arange(np.floor(low.min()), np.ceil(high.max()) + step, step)
    best, where = np.full(n, -1.0), np.full(n, np.nan)
    for place in places:
        one = model.echoes(np.array([[place]]), none)[0][0, 0]
        pair = np.stack([one.real, -one.imag])[None] * weight[:, None, :]
        pair = pair.transpose(0, 2, 1)
        pair = pair - q @ (q.transpose(0, 2, 1) @ pair)
        inner = pair.transpose(0, 2, 1) @ pair
        # Where an echo is already, nothing new is left of another one.
        new = np.linalg.eigvalsh(inner)[:, 0] > 1e-4 * pulse.energy
        inner[~new] = np.eye(2)
        toward = np.einsum("nwk,nw->nk", pair, rest)
        gain = np.einsum("nk,nk->n", toward, np.linalg.solve(inner, toward[..., None])[..., 0])
        take = new & (gain > best) & (place >= low) & (place <= high)
        best[take], where[take] = gain[take], place
    return where
