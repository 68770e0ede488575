"""A window to look at scans, move gates, place picks and decide; made of matplotlib's widgets."""

from __future__ import annotations

import os
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
from echotrace.errors import EchotraceError, ParameterError
from echotrace.figures.style import COLOURS, quiet_axes
from echotrace.figures.trace import interface_colour
from echotrace.signal.picking import PICKERS
from echotrace.teaching.desk import Desk, Look, levels_db
from echotrace.teaching.judged import length_words
from echotrace.teaching.plate_figure import fewer_points
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Window", "check_display", "open_window"]

_FLOOR_DB, _TOP_DB = -70.0, 26.0
_LANE_DB = -74.0
# Letters of a line over the trace.
_MOST_TOLD = 120


def check_display(recording: str) -> None:
    """Refuse where no window can be opened.

    Parameters
    ----------
    recording : str
        Name of the file, for the message.

    Raises
    ------
    ParameterError
        There is no display; names what to do instead.

    Examples
    --------
    >>> from unittest import mock
    >>> with mock.patch.dict(os.environ, DISPLAY=":0"):
    ...     check_display("scan.h5")
    """
    needs = sys.platform.startswith("linux")
    if needs and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        raise ParameterError(
            "--window: there is no display to open a window on; make a picture instead: "
            f"echotrace draw {recording} -o scans.png"
        )


class _Zone:
    """A part of the figure that is drawn for itself: what stands still, and what moves on it."""

    def __init__(self, ends: tuple[float, float, float, float], artists: list[Any]) -> None:
        self.ends, self.artists, self.background = ends, artists, None

    def box(self, figure: Figure) -> Any:
        """Its place on the canvas, whole pixels."""
        from matplotlib.transforms import Bbox

        return Bbox(np.rint(Bbox.from_extents(*self.ends).transformed(figure.transFigure)))

    def keep(self, canvas: Any) -> None:
        """Keep what stands still."""
        self.background = canvas.copy_from_bbox(self.box(canvas.figure))

    def draw(self) -> None:
        """Draw what moves."""
        for artist in self.artists:
            artist.get_figure().draw_artist(artist)


class Window:
    """Everything on one figure; the figure may be anybody's, with a display or without.

    Left and right arrow: scan before and after. Up and down: the interface that clicks are about.
    Click in the trace: place that interface. Drag in the lane of gates below: its gate.
    ``a`` accept, ``r`` reject, ``u`` undo, ``s`` save.

    Parameters
    ----------
    desk : Desk
    figure : Figure
    settings_path, decisions_path : Path, optional
        Where ``s`` saves to.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.figures.style import new_figure
    >>> desk = Desk(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> Window(desk, new_figure(11, 6.5)).interface
    'retina'
    """

    def __init__(
        self,
        desk: Desk,
        figure: Figure,
        settings_path: Path | None = None,
        decisions_path: Path | None = None,
    ) -> None:
        from matplotlib.widgets import Button, RadioButtons, Slider, TextBox

        from echotrace.teaching.kept_text import KeptText

        self.desk, self.figure = desk, figure
        self._paths = (settings_path, decisions_path)
        self._dragged_from: float | None = None
        self.look: Look = desk.look()
        self.names = list(self.look.view.target.interface_names)
        self.interface = "retina" if "retina" in self.names else self.names[-1]
        figure.set_layout_engine("none")
        self.ax = quiet_axes(figure.add_axes((0.065, 0.13, 0.64, 0.72)))
        whole, ink = figure.transFigure, COLOURS["ink"]
        self._said = KeptText((0.735, 0.945), whole, size=9.0, colour=ink, under=True)
        self._title = KeptText((0.065, 0.925), whole, size=13.0, colour=ink)
        self._note = KeptText((0.065, 0.885), whole, size=9.0, colour=COLOURS["accent"])
        for text in (self._said, self._title, self._note):
            figure.add_artist(text)
        mark = SYNTHETIC if is_synthetic(desk.recording.attributes) else ""
        figure.text(0.065, 0.012, "\n".join(textwrap.wrap(f"{mark} {CAUTION}".strip(), 150)),
                    fontsize=7, color=COLOURS["muted"])  # fmt: skip
        self._widgets: dict[str, Any] = {}
        place = figure.add_axes((0.735, 0.30, 0.245, 0.185), frameon=False)
        place.set_title("picker", fontsize=9, loc="left", color=COLOURS["ink"])
        names = tuple(PICKERS)
        self._widgets["picker"] = RadioButtons(
            place, [name.replace("_", " ") for name in names],
            active=names.index(desk.settings.picking.picker), activecolor=COLOURS["envelope"],
            label_props={"fontsize": [8] * len(names)}, useblit=True,
        )  # fmt: skip
        for key, label, low, high, start, high_up in (
            ("gain", "gain (dB)", -30.0, 30.0, 0.0, 0.255),
            ("time_gain", "time gain (dB)", -30.0, 30.0, 0.0, 0.220),
            ("threshold", "threshold (dB)", 6.0, 40.0,
             desk.settings.picking.search_threshold_db, 0.185),
        ):  # fmt: skip
            slider = Slider(
                figure.add_axes((0.825, high_up, 0.115, 0.025)), label, low, high, valinit=start,
                valstep=0.5, color=COLOURS["envelope"],
            )  # fmt: skip
            slider.label.set_fontsize(8)
            slider.valtext.set_fontsize(8)
            self._widgets[key] = slider
        reason = TextBox(figure.add_axes((0.79, 0.125, 0.19, 0.035)), "reason ", initial="")
        reason.label.set_fontsize(8)
        self._widgets["reason"] = reason
        for k, (key, label) in enumerate(
            (("accept", "accept"), ("reject", "reject"), ("undo", "undo"), ("save", "save"))
        ):
            button = Button(
                figure.add_axes((0.735 + 0.0625 * k, 0.07, 0.058, 0.04)), label,
                color=COLOURS["band"], hovercolor=COLOURS["grid"], useblit=True,
            )  # fmt: skip
            button.label.set_fontsize(8)
            self._widgets[key] = button
        self._zones: list[_Zone] = []
        self._slid: list[float] = []
        self._prepare()
        self._connect(names)
        self.show()

    def _prepare(self) -> None:
        """Artists that are kept, so that a change moves them and draws nothing anew."""
        from echotrace.teaching.kept_text import KeptText

        ax, delay_us = self.ax, self.desk.recording.delay_us
        (self._trace,) = ax.plot(
            delay_us, np.full(delay_us.size, _FLOOR_DB), color=COLOURS["envelope"], linewidth=0.8
        )
        self._picks, self._words, self._gates = {}, {}, {}
        for k, name in enumerate(self.names):
            colour = interface_colour(name, k)
            (self._picks[name],) = ax.plot([], [], color=colour, linewidth=1.3)
            words = KeptText((0.0, 0.0), ax.transData, size=8.5, colour=COLOURS["ink"],
                             paper="white")  # fmt: skip
            words.set_text(name.replace("_", " "))
            self._words[name] = words
            self.figure.add_artist(words)
            (self._gates[name],) = ax.plot([], [], color=colour, linewidth=4.5,
                                           solid_capstyle="butt")  # fmt: skip
        sliders = [self._widgets[key] for key in ("gain", "time_gain", "threshold")]
        self._zones = [
            _Zone((0.0, 0.10, 0.725, 1.0), [
                *self._gates.values(), self._trace, *self._picks.values(), *self._words.values(),
                self._title, self._note,
            ]),
            _Zone((0.725, 0.50, 1.0, 1.0), [self._said]),
            _Zone((0.725, 0.175, 1.0, 0.29), [
                part for s in sliders for part in (s.poly, s._handle, s.valtext)
            ]),
        ]  # fmt: skip
        for zone in self._zones:
            for artist in zone.artists:
                artist.set_animated(True)
        for slider in sliders:
            slider.drawon = False
        ax.set_xlim(float(delay_us[0]), float(delay_us[-1]))
        ax.set_ylim(_LANE_DB - 2.4 * len(self.names) - 1.0, _TOP_DB)
        ax.set_yticks([-60, -40, -20, 0])
        ax.set_ylabel("envelope (dB; 0: tallest echo picked)", fontsize=9)
        ax.set_xlabel("delay (µs); bars below: gates", fontsize=9)

    def _connect(self, pickers: tuple[str, ...]) -> None:
        widgets, canvas = self._widgets, self.figure.canvas
        widgets["picker"].on_clicked(
            lambda _: self._do(
                self.desk.set_picking, picker=pickers[widgets["picker"].index_selected]
            )
        )
        widgets["threshold"].on_changed(
            lambda value: self._do(self.desk.set_picking, search_threshold_db=float(value))
        )
        for key, name in (("gain", "gain_db"), ("time_gain", "time_gain_db")):
            widgets[key].on_changed(
                lambda value, name=name: self._do(setattr, self.desk, name, float(value))
            )
        for key, act in (("accept", self.accept), ("reject", self.reject),
                         ("undo", self.undo), ("save", self.save)):  # fmt: skip
            widgets[key].on_clicked(lambda _, act=act: act())
        canvas.mpl_connect("draw_event", self._drawn)
        canvas.mpl_connect("key_press_event", self._key)
        canvas.mpl_connect("button_press_event", self._press)
        canvas.mpl_connect("button_release_event", self._release)

    def _drawn(self, event: Any) -> None:
        """Keep what never moves as pictures, so that a change draws only what does."""
        canvas: Any = self.figure.canvas
        if event is not None and event.canvas is not canvas:
            return
        for zone in self._zones:
            if getattr(canvas, "supports_blit", False):
                zone.keep(canvas)
            zone.draw()

    def _redraw(self) -> None:
        canvas: Any = self.figure.canvas
        if any(zone.background is None for zone in self._zones):
            canvas.draw_idle()
            return
        sliders = [self._widgets[key].val for key in ("gain", "time_gain", "threshold")]
        last = self._zones[-1]
        for zone in self._zones:
            # Sliders rarely move, and never by themselves.
            if zone is last and sliders == self._slid:
                continue
            canvas.restore_region(zone.background)
            zone.draw()
            canvas.blit(zone.box(self.figure))
        self._slid = sliders

    def _do(self, act: Any, *values: Any, **changes: Any) -> None:
        """Do it and show what came of it; what cannot be done is told and changes nothing."""
        before = (self.desk.settings, self.desk.decisions, self.desk.gain_db,
                  self.desk.time_gain_db)  # fmt: skip
        try:
            act(*values, **changes)
            self.look = self.desk.look()
            told = ""
        except EchotraceError as error:
            (self.desk.settings, self.desk.decisions, self.desk.gain_db,
             self.desk.time_gain_db) = before  # fmt: skip
            told = str(error)
        self.show(told)

    @property
    def reason(self) -> str:
        """What stands in the line for reasons."""
        return str(self._widgets["reason"].text)

    def accept(self) -> None:
        """Accept the scan for the reason that is given."""
        self._do(self.desk.judge, True, self.reason)

    def reject(self) -> None:
        """Reject the scan for the reason that is given."""
        self._do(self.desk.judge, False, self.reason)

    def undo(self) -> None:
        """Forget what was decided about the scan."""
        self._do(self.desk.undo)

    def save(self) -> None:
        """Save settings and decisions where the command line says."""
        if self._paths == (None, None):
            self.show("nowhere to save to: give --write-settings or --write-decisions")
            return
        try:
            done = self.desk.save(*self._paths)
        except EchotraceError as error:
            self.show(str(error))
            return
        self.show(f"saved {', '.join(path.name for path in done)}")

    def _key(self, event: Any) -> None:
        if self._widgets["reason"].capturekeystrokes:
            return
        steps = {"right": 1, "left": -1}
        turns = {"up": -1, "down": 1}
        acts = {"a": self.accept, "r": self.reject, "u": self.undo, "s": self.save}
        if event.key in steps:
            self._do(self.desk.step, steps[event.key])
        elif event.key in turns:
            at = (self.names.index(self.interface) + turns[event.key]) % len(self.names)
            self.interface = self.names[at]
            self.show()
        elif event.key in acts:
            acts[event.key]()

    def _press(self, event: Any) -> None:
        if event.inaxes is self.ax and event.button == 1:
            self._dragged_from = float(event.xdata)
            self._in_lane = event.ydata < _LANE_DB + 2.0

    def _release(self, event: Any) -> None:
        start, self._dragged_from = self._dragged_from, None
        if start is None or event.inaxes is not self.ax:
            return
        stop = float(event.xdata)
        if not self._in_lane:
            self._do(self.desk.place, self.interface, stop, self.reason)
        elif abs(stop - start) > 0.05:
            self._do(self._drag, start, stop)

    def _drag(self, start_us: float, stop_us: float) -> None:
        """Move the nearer end of the gate, or set a new one where it begins elsewhere."""
        low, high = self.desk.gates_us(self.look).get(self.interface, (start_us, stop_us))
        reach = 0.03 * float(self.desk.recording.delay_us[-1])
        if abs(start_us - low) < reach and abs(start_us - low) <= abs(start_us - high):
            low = stop_us
        elif abs(start_us - high) < reach:
            high = stop_us
        else:
            low, high = start_us, stop_us
        self.desk.set_gate(self.interface, low, high, self.reason)

    def show(self, told: str = "") -> None:
        """Put what the chain says now onto the figure."""
        look, desk = self.look, self.desk
        level = np.maximum(levels_db(look), _FLOOR_DB)
        self._trace.set_data(*fewer_points(look.recording.delay_us, level))
        gates = desk.gates_us(look)
        delay_us = look.result.delay_us[0]
        picks = dict(zip(look.result.interfaces, delay_us, strict=True))
        ends = [-np.inf] * 3
        first, last = self.ax.get_xlim()
        for k, name in enumerate(self.names):
            at = float(picks.get(name, np.nan))
            width = 0.0125 * (len(name) + 2) * (last - first)
            row = next((r for r in range(3) if ends[r] <= at), k % 3)
            if np.isfinite(at):
                ends[row] = at + width
            high = 5.0 + 6.0 * row
            self._picks[name].set_data([at, at], [_FLOOR_DB, high + 3.5])
            self._words[name].set_position((at + 0.004 * (last - first), high))
            self._words[name].set_visible(bool(np.isfinite(at)))
            self._words[name].set_fontweight("bold" if name == self.interface else "normal")
            lane = _LANE_DB - 2.4 * k
            self._gates[name].set_data(gates.get(name, (np.nan, np.nan)), [lane, lane])
            self._gates[name].set_alpha(1.0 if name == self.interface else 0.45)
        self._title.set_text(
            f"Scan {desk.scan + 1} of {desk.recording.n_traces}; clicks place: "
            f"{self.interface.replace('_', ' ')}"
        )
        self._note.set_text(picture_text(told, _MOST_TOLD))
        self._said.set_text(self._words_of(look))
        self._redraw()

    def _words_of(self, look: Look) -> str:
        result = look.result
        word = "accepted" if result.accepted[0] else "rejected"
        by_hand = " by hand" if result.decided_by[0] else ""
        lines = [f"{length_words(float(result.axial_length_mm[0]))}, {word}{by_hand}"]
        segments = [
            f"{name} {length:.2f}"
            for name, length in zip(result.segments, result.length_mm[0], strict=True)
            if np.isfinite(length)
        ]
        lines += textwrap.wrap(", ".join(segments), 44)
        own = result.picked_by_hand(0)
        if own:
            lines.append("placed by hand: " + ", ".join(n.replace("_", " ") for n in own))
        found = [name.replace("_", " ") for name in result.finding_list(0)]
        lines += [f"– {name}" for name in found[:9]]
        if len(found) > 9:
            lines.append(f"– and {len(found) - 9} more")
        return "\n".join(lines)


def open_window(
    desk: Desk, settings_path: Path | None = None, decisions_path: Path | None = None
) -> Window:
    """Open the window; in a notebook with ``%matplotlib widget`` it lives in the page.

    Parameters
    ----------
    desk : Desk
    settings_path, decisions_path : Path, optional
        Where it saves to.

    Returns
    -------
    Window
        To be kept as long as the window is open.

    Raises
    ------
    ParameterError
        No toolkit for windows is installed.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.teaching.desk import Desk
    >>> window = open_window(Desk(et.read("synthetic_traces/immersion_sitting.h5")))
    >>> window.desk.scan
    0
    """
    import matplotlib.pyplot as plt

    try:
        # Without matplotlib's own tools: their clicks would place picks.
        with plt.rc_context({"toolbar": "None"}):
            figure = plt.figure(figsize=(12.5, 7.2))
    except ImportError as error:
        raise ParameterError(
            f"--window: no toolkit for windows is installed ({error}); make a picture instead: "
            "echotrace draw RECORDING -o scans.png"
        ) from None
    manager = figure.canvas.manager
    # Keys are ours: matplotlib's own (s saves a picture, r resets the view) would act as well.
    handler = getattr(manager, "key_press_handler_id", None)
    if handler is not None:
        figure.canvas.mpl_disconnect(handler)
    return Window(desk, figure, settings_path, decisions_path)
