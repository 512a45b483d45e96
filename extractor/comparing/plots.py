"""The plot set: for a video at two sizes, light, dark and transparent, and for print.

One colour and one place in the order a device, over all plots; variants of a device share its
colour and are told by their label. Letters are at least 28 px at 1080 lines. Nothing unlike
stands in one plot; what is left out is named at its foot.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from extractor.comparing.deriving import HELP, OWN_SHARE, Derived, Subject, ambient_of, label
from extractor.comparing.rounds import Round
from extractor.comparing.throttling import Verdict, frame_cap
from extractor.comparing.whole import Comparison, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from PIL.Image import Image

PALETTE = ("#2f50d5", "#bd6c06", "#1cd0d4", "#884866", "#e8b17f", "#4393fc", "#be7881", "#8b4633")
"""One colour a device, found by a search for the greatest least CIEDE2000 between any two under
normal sight, deuteranopia and protanopia (Machado, Oliveira and Fernandes 2009): 18.8. A ninth
device takes the first colour again; every bar and line carries its name."""

LETTERS = 28
"""The smallest letters, px at 1080 lines."""

_DOTS = 100  # a px of a plot of 1080 lines is one dot
_REPORT_DOTS = 75
_HATCH = "///"
_FOOT_LINES = 3
_NEAR_WHOLE = 93.0


@dataclass(frozen=True, slots=True)
class Style:
    """A look. ``back`` None is transparent; ``halo`` keeps letters legible over any picture."""

    name: str
    ink: str
    soft: str
    grid: str
    back: str | None
    halo: str | None = None


STYLES = {
    style.name: style
    for style in (
        Style("light", "#16181d", "#4a4f5a", "#d9dce3", "#ffffff"),
        Style("dark", "#f4f5f7", "#b9bfca", "#3a404c", "#12151c"),
        Style("transparent", "#ffffff", "#f0f0f0", "#9aa0aa", None, "#000000"),
        Style("print", "#000000", "#333333", "#cccccc", "#ffffff"),
    )
}


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot of the set: ``name`` of its files, ``title``, and a sentence that says it."""

    name: str
    title: str
    says: str
    draw: Callable[[_Canvas], None]


def plan(whole: Comparison) -> list[Plot]:
    """The plots that these data allow, in their order."""
    return [*_bar_plots(whole), *_other_plots(whole), *_trace_plots(whole), _missing_plot(whole)]


def render(whole: Comparison, plot: Plot, style: Style) -> Iterator[tuple[str, bytes]]:
    """Draw a plot in one style: file name and bytes of each size; PDF for print."""
    import matplotlib as mpl

    with mpl.rc_context(_settings(style)):
        canvas = _Canvas(whole, style, plot.title)
        plot.draw(canvas)
        if style.name == "print":
            yield f"{plot.name}_print.pdf", canvas.pdf()
            return
        large = canvas.picture(2 * _DOTS)
        for size, picture in (("2160", large), ("1080", large.reduce(2))):
            out = io.BytesIO()
            picture.save(out, "PNG", compress_level=3)
            yield f"{plot.name}_{size}_{style.name}.png", out.getvalue()


def picture(whole: Comparison, plot: Plot, style: Style) -> bytes:
    """A plot as WebP of 1440 × 810, for the report."""
    import matplotlib as mpl

    with mpl.rc_context(_settings(style)):
        canvas = _Canvas(whole, style, plot.title)
        plot.draw(canvas)
        drawn = canvas.picture(_REPORT_DOTS)
    out = io.BytesIO()
    drawn.save(out, "WEBP", quality=80, method=2)
    return out.getvalue()


def _settings(style: Style) -> Any:
    points = 72 / _DOTS
    return {
        "font.size": LETTERS * points,
        "axes.labelsize": LETTERS * points,
        "xtick.labelsize": LETTERS * points,
        "ytick.labelsize": LETTERS * points,
        "font.family": "DejaVu Sans",
        "text.parse_math": False,
        "text.color": style.ink,
        "axes.labelcolor": style.ink,
        "axes.edgecolor": style.soft,
        "xtick.color": style.ink,
        "ytick.color": style.ink,
        "grid.color": style.grid,
        "hatch.color": style.ink,
        "hatch.linewidth": 2.0,
        "savefig.facecolor": style.back or "none",
        "figure.facecolor": style.back or "none",
        "axes.facecolor": "none",
        "svg.hashsalt": "ocrlog",
    }


# ---------------------------------------------------------------- the canvas


class _Canvas:
    """A figure of 1920 × 1080 dots with title, sub-title and foot."""

    def __init__(self, whole: Comparison, style: Style, title: str) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.whole, self.style = whole, style
        self.figure: Figure = Figure(
            figsize=(19.2, 10.8), dpi=_DOTS, facecolor=style.back or "none"
        )
        FigureCanvasAgg(self.figure)
        self.figure.text(0.03, 0.955, title, va="top", size=44 * 72 / _DOTS, weight="bold")
        devices = list(dict.fromkeys(
            [device for device, _ in whole.rounds.subjects]
            + [each.key.device for each in whole.rounds.all]
        ))  # fmt: skip
        self._colours = {
            device: PALETTE[place % len(PALETTE)] for place, device in enumerate(devices)
        }

    def colour(self, device: str) -> str:
        return self._colours[device]

    def below_title(self, text: str) -> None:
        self.figure.text(0.03, 0.895, text, va="top", color=self.style.soft)

    def foot(self, *lines: str) -> None:
        """At most three lines at the foot; a longer text goes on in the next line."""
        wrapped = [part for line in lines if line for part in textwrap.wrap(line, 108)]
        self.figure.text(
            0.03, 0.02, "\n".join(wrapped[:_FOOT_LINES]), va="bottom", color=self.style.soft,
            linespacing=1.25,
        )  # fmt: skip

    def axes(self, box: tuple[float, float, float, float]) -> Axes:
        axes = self.figure.add_axes(box)
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_axisbelow(True)
        return axes

    def picture(self, dots: int) -> Image:
        """The picture, RGBA where it is transparent; ``dots`` an inch, of which it is 19.2 wide."""
        import numpy as np
        from PIL import Image

        self._add_halo()
        self.figure.set_dpi(dots)
        canvas: Any = self.figure.canvas
        canvas.draw()
        drawn = Image.fromarray(np.asarray(canvas.buffer_rgba()))
        return drawn.convert("RGB") if self.style.back is not None else drawn.copy()

    def pdf(self) -> bytes:
        out = io.BytesIO()
        self.figure.savefig(out, format="pdf", metadata={"CreationDate": None})
        return out.getvalue()

    def _add_halo(self) -> None:
        if not self.style.halo:
            return
        from matplotlib.colors import same_color
        from matplotlib.lines import Line2D
        from matplotlib.patheffects import withStroke
        from matplotlib.spines import Spine
        from matplotlib.text import Text

        for text in self.figure.findobj(Text):
            text.set_path_effects([withStroke(linewidth=5, foreground=self.style.halo)])
        found: list[Any] = [*self.figure.findobj(Line2D), *self.figure.findobj(Spine)]
        for line in found:
            colour = line.get_edgecolor() if isinstance(line, Spine) else line.get_color()
            if same_color(colour, self.style.ink) or same_color(colour, self.style.soft):
                wide = line.get_linewidth() + 3
                line.set_path_effects([withStroke(linewidth=wide, foreground=self.style.halo)])


# ---------------------------------------------------------------- bars of the first round


@dataclass(frozen=True, slots=True)
class _Bar:
    subject: Subject
    value: float
    text: str
    error: float = 0.0
    hatched: bool = False


def _bar_plots(whole: Comparison) -> Iterator[Plot]:
    for name in (
        "pixels_a_frame", "frame_rate", "pixel_throughput", "share_at_floor",
        "battery_temperature", "temperature_rise", "chip_temperature", "power",
        "energy_a_pixel", "energy_a_frame",
    ):  # fmt: skip
        found = whole.get(name)
        if name == "share_at_floor":
            found = _of_usual_basis(found)
        if found:
            yield Plot(
                "render_size" if name == "pixels_a_frame" else name,
                HELP[name].title.removesuffix(", first round") + ", round 1",
                _says(whole, found),
                _bars_of(name, found),
            )


def _says(whole: Comparison, found: Mapping[Subject, Derived]) -> str:
    return "; ".join(
        f"{label(*subject)} {whole.shown(each)} {shown_unit(each.unit)}"
        for subject, each in found.items()
    )


def _of_usual_basis(found: Mapping[Subject, Derived]) -> dict[Subject, Derived]:
    counts: dict[str, int] = {}
    for each in found.values():
        counts[each.basis] = counts.get(each.basis, 0) + 1
    usual = max(counts, key=lambda basis: counts[basis]) if counts else ""
    return {subject: each for subject, each in found.items() if each.basis == usual}


def _bars_of(name: str, found: Mapping[Subject, Derived]) -> Callable[[_Canvas], None]:
    def draw(canvas: _Canvas) -> None:
        whole = canvas.whole
        is_size = name == "pixels_a_frame"
        unit = "Mpx a frame" if is_size else shown_unit(HELP[name].unit)
        bars = [
            _Bar(
                subject,
                (each.value or 0.0) / (1e6 if is_size else 1),
                _beside(whole, name, each),
                0.0 if is_size else _error(each),
            )
            for subject, each in found.items()
        ]
        axes = _draw_bars(canvas, bars, unit)
        if name == "frame_rate":
            _mark(canvas, axes, whole.session.smooth_floor, "floor")
        left_out = [each for each in whole.rounds.subjects if each not in found]
        canvas.below_title(_conditions(whole, name, found))
        canvas.foot(
            "Not drawn: " + ", ".join(label(*each) for each in left_out) if left_out else "",
            *_notes(whole, _NOTED.get(name, ())),
            "" if is_size else _reach(list(found.values())),
        )

    return draw


_NOTED: dict[str, tuple[str, ...]] = {
    "pixels_a_frame": ("size-unconfirmed",),
    "pixel_throughput": ("frames-unknown", "size-unconfirmed"),
    "energy_a_pixel": ("best-but-unplayable", "size-unconfirmed"),
    "energy_a_frame": ("best-but-unplayable", "render-sizes-differ"),
    "power": ("energy-balance",),
    "temperature_rise": ("rooms-differ",),
    "battery_temperature": ("rooms-differ",),
    "battery_drain": ("brightness-differs", "energy-balance"),
    "power_throughput": ("best-but-unplayable", "size-unconfirmed"),
}


def _notes(whole: Comparison, codes: Sequence[str]) -> list[str]:
    """The warnings that belong beside a plot, in short."""
    notes = []
    for warning in whole.warnings:
        if warning.code not in codes:
            continue
        everyone = len(warning.about) == len(whole.rounds.subjects)
        names = "all" if everyone else ", ".join(label(*each) for each in warning.about)
        notes.append(
            {
                "best-but-unplayable": f"{names}: thrifty because unplayable, below "
                f"{whole.session.smooth_floor:g} fps",
                "size-unconfirmed": f"Render size not confirmed by a second source: {names}",
                "frames-unknown": f"Whether frames are rendered or displayed is not known: {names}",
                "render-sizes-differ": f"Another render size than most: {names}",
                "energy-balance": f"{names}: the shown power does not agree with the battery level",
            }.get(warning.code, warning.text)
        )
    return notes


def _beside(whole: Comparison, name: str, each: Derived) -> str:
    """What stands at the end of a bar: energies always beside frame rate and share."""
    if name == "pixels_a_frame":
        attempt = each.inputs[0][0]
        width, height = (attempt.figures[f"render_{side}"].value for side in ("width", "height"))
        return f"{width:.0f} × {height:.0f}"
    text = f"{whole.shown(each)} {shown_unit(each.unit)}"
    if name in ("energy_a_pixel", "energy_a_frame"):
        rate = whole.get("frame_rate").get(each.subject)
        share = whole.get("share_at_floor").get(each.subject)
        beside = [f"{whole.shown(rate)} fps"] if rate else []
        beside += [f"{whole.shown(share)} % at the floor"] if share else []
        text += f"  ({', '.join(beside)})" if beside else ""
    return text


def _error(each: Derived) -> float:
    return each.spread if each.spread is not None else (each.u_display or 0.0)


def _conditions(whole: Comparison, name: str, found: Mapping[Subject, Derived]) -> str:
    session = whole.session
    parts = [session.scene or ""]
    if name == "share_at_floor":
        basis = next(iter(found.values())).basis
        own = basis == OWN_SHARE  # at which rate its floor lies the monitor does not say
        parts.append(f"{basis} floor" if own else f"floor {session.smooth_floor:g} fps, {basis}")
    if name == "temperature_rise":
        rooms = {ambient_of(session, *subject, 1) for subject in found}
        parts.append("room " + ", ".join(f"{room:g} °C" for room in sorted(r for r in rooms if r)))
    help_ = HELP[name]
    if help_.best:
        parts.append(f"{'less' if help_.best == 'lowest' else 'more'} is better")
    return " · ".join(part for part in parts if part)


def _reach(found: Sequence[Derived]) -> str:
    """What the whiskers say, and what they do not."""
    attempts = [each.attempts for each in found]
    if not attempts:
        return ""
    if max(attempts) < 2:
        return "Whiskers: reading resolution only, repeatability not measured; sensor not included"
    return (
        "Whiskers: standard deviation over attempts where there are several, else reading "
        "resolution"
    )


def _draw_bars(canvas: _Canvas, bars: Sequence[_Bar], unit: str) -> Axes:
    axes = canvas.axes((_left(bars), 0.235, 0.955 - _left(bars), 0.595))
    top = max([bar.value + bar.error for bar in bars] + [1e-9])
    low = min([bar.value for bar in bars] + [0.0])
    for place, bar in enumerate(bars):
        axes.barh(
            place, bar.value, 0.68, color=canvas.colour(bar.subject[0]),
            edgecolor=canvas.style.ink, linewidth=1.5, hatch=_HATCH if bar.hatched else None,
        )  # fmt: skip
        if bar.error > 0:
            axes.errorbar(
                bar.value, place, xerr=bar.error, color=canvas.style.ink, capsize=8, linewidth=2.5
            )
        axes.annotate(
            bar.text, (max(bar.value + bar.error, 0.0), place), (14, 0),
            textcoords="offset points", va="center",
        )  # fmt: skip
    axes.set_yticks(range(len(bars)), [label(*bar.subject) for bar in bars])
    axes.tick_params(axis="y", length=0, pad=10)
    axes.invert_yaxis()
    axes.set_xlabel(unit)
    axes.grid(axis="x")
    longest = max((len(bar.text) for bar in bars), default=0)
    # Letters of 28 px are about 17 px wide; the text at a bar's end must fit beside the longest.
    room = min(0.6, (longest * 17 + 30) / (1920 * (0.955 - _left(bars))))
    axes.set_xlim(low * 1.05, top / (1 - room))
    return axes


def _left(bars: Sequence[_Bar]) -> float:
    longest = max((len(label(*bar.subject)) for bar in bars), default=4)
    return min(0.34, 0.04 + longest * 18 / 1920)


def _mark(canvas: _Canvas, axes: Axes, value: float, text: str) -> None:
    axes.axvline(value, color=canvas.style.ink, linewidth=2.5, linestyle=(0, (6, 4)))
    axes.annotate(
        f"{text} {value:g}", (value, 1.0), (6, 4), xycoords=("data", "axes fraction"),
        textcoords="offset points", va="bottom",
    )  # fmt: skip


# ---------------------------------------------------------------- the other plots


def _other_plots(whole: Comparison) -> Iterator[Plot]:
    if _variant_devices(whole):
        yield Plot(
            "variants", "Variants side by side, round 1",
            "; ".join(_variant_devices(whole)), _draw_variants,
        )  # fmt: skip
    drain = whole.get("drain_power", 0)
    if drain:
        yield Plot(
            "battery_drain", "Battery drain in the battery test", _says(whole, drain), _draw_drain
        )
    if whole.rounds.last > 1:
        yield Plot(
            "sustained", "Frame rate left of round 1, by round",
            "; ".join(
                f"{label(*each.subject)} round {each.round}: {whole.shown(each)} %"
                for each in whole.derived
                if each.figure == "sustained_frame_rate" and each.value is not None
            ),
            _draw_sustained,
        )  # fmt: skip
    if whole.get("pixel_throughput").keys() & whole.get("power").keys():
        yield Plot(
            "power_throughput", "Power against pixel throughput, round 1",
            _says(whole, whole.get("energy_a_pixel")), _draw_power_throughput,
        )  # fmt: skip


def _variant_devices(whole: Comparison) -> dict[str, list[Subject]]:
    devices: dict[str, list[Subject]] = {}
    for subject in whole.rounds.subjects:
        devices.setdefault(subject[0], []).append(subject)
    return {device: them for device, them in devices.items() if len(them) > 1}


def _draw_variants(canvas: _Canvas) -> None:
    subjects = [each for them in _variant_devices(canvas.whole).values() for each in them]
    names = ("frame_rate", "share_at_floor", "power", "energy_a_pixel")
    for place, name in enumerate(names):
        column, row = place % 2, place // 2
        axes = canvas.axes((0.2 + 0.42 * column, 0.565 - 0.36 * row, 0.33, 0.23))
        found = canvas.whole.get(name)
        for at, subject in enumerate(subjects):
            each = found.get(subject)
            if each is None:
                axes.annotate("not known", (0, at), (6, 0), textcoords="offset points", va="center")
                continue
            value = each.value or 0.0
            axes.barh(at, value, 0.66, color=canvas.colour(subject[0]),
                      edgecolor=canvas.style.ink, linewidth=1.5,
                      alpha=1 - 0.35 * (at % 2))  # fmt: skip
            axes.annotate(
                canvas.whole.shown(each),
                (value, at),
                (8, 0),
                textcoords="offset points",
                va="center",
            )
        top = max([each.value or 0.0 for s, each in found.items() if s in subjects] + [1e-9])
        axes.set_xlim(0, top * 1.28)
        names_shown = [label(*each) for each in subjects] if column == 0 else [""] * len(subjects)
        axes.set_yticks(range(len(subjects)), names_shown)
        axes.tick_params(axis="y", length=0, pad=10)
        axes.set_xticks([])
        axes.invert_yaxis()
        title = HELP[name].title.removesuffix(", first round").removesuffix(", mean")
        axes.set_title(
            f"{title}, {shown_unit(HELP[name].unit)}", loc="left", pad=10,
            size=LETTERS * 72 / _DOTS, color=canvas.style.ink,
        )  # fmt: skip
    canvas.below_title(canvas.whole.session.scene or "")
    canvas.foot(_reach(list(canvas.whole.get("power").values())))


def _draw_drain(canvas: _Canvas) -> None:
    whole = canvas.whole
    power = whole.get("drain_power", 0)
    current, hours = whole.get("drain_current", 0), whole.get("hours_from_full", 0)
    bars = []
    for subject, each in power.items():
        beside = []
        if subject in current:
            beside.append(f"{whole.shown(current[subject])} mA·h/h")
        if subject in hours:
            beside.append(f"{whole.shown(hours[subject])} h from full, extrapolated")
        text = f"{whole.shown(each)} W" + (f"  ({', '.join(beside)})" if beside else "")
        bars.append(_Bar(subject, each.value or 0.0, text, _error(each)))
    _draw_bars(canvas, bars, "W")
    canvas.below_title("less is better · from the drop of the level and the battery's energy")
    canvas.foot(*_notes(whole, _NOTED["battery_drain"]), _reach(list(power.values())))


def _draw_sustained(canvas: _Canvas) -> None:
    whole = canvas.whole
    rounds = range(2, whole.rounds.last + 1)
    subjects = whole.rounds.subjects
    names = [label(*each).replace(" ", "\n", 1) for each in subjects]
    slot = 0.88 * 1920 / max(1, len(subjects))
    width = 0.8 / max(1, len(rounds))
    # Letters of 28 px are about 17 px wide.
    crowded = max((len(line) for name in names for line in name.split("\n")), default=0) * 18 > slot
    axes = canvas.axes((0.09, 0.36, 0.88, 0.47) if crowded else (0.09, 0.27, 0.88, 0.56))
    by_key = {(each.key.device, each.key.variant, each.key.round): each for each in whole.rounds.all
              if each.counts}  # fmt: skip
    top = 100.0
    for at, subject in enumerate(subjects):
        for number in rounds:
            x = at + (number - 2 - (len(rounds) - 1) / 2) * width
            each = whole.get("sustained_frame_rate", number).get(subject)
            attempt = by_key.get((*subject, number))
            if attempt is None:  # neither planned nor run
                continue
            if each is None or each.value is None:
                _draw_absent(canvas, axes, x, width, attempt)
                continue
            top = max(top, each.value)
            early = attempt.ended_early
            axes.bar(
                x, each.value, width * 0.92, color=canvas.colour(subject[0]),
                edgecolor=canvas.style.ink, linewidth=1.5, hatch=_HATCH if early else None,
            )  # fmt: skip
            if slot * width < 3 * 18 and number < rounds[-1]:
                continue  # no room for every number: the last round's matters most
            # Just below the line of 100 % the number stands above it, not on it.
            above = 100.0 if _NEAR_WHOLE <= each.value < 100 else each.value
            axes.annotate(
                f"{each.value:.0f}", (x, above), (0, 7), textcoords="offset points", ha="center"
            )
    axes.axhline(100, color=canvas.style.soft, linewidth=2, linestyle=(0, (6, 4)))
    axes.set_ylim(0, top * 1.12)
    axes.set_ylabel("% of round 1")
    if crowded:
        axes.set_xticks(
            range(len(subjects)), [label(*each) for each in subjects], rotation=35, ha="right",
            rotation_mode="anchor",
        )  # fmt: skip
    else:
        axes.set_xticks(range(len(subjects)), names)
    axes.tick_params(axis="x", length=0)
    axes.grid(axis="y")
    bars = "one bar a round, " + ", ".join(map(str, rounds)) if len(rounds) > 1 else "round 2"
    canvas.below_title(f"mean frame rate over the whole scene · {bars}")
    stopped = [
        f"{label(each.key.device, each.key.variant)} round {each.key.round}: "
        + (each.why or "ended early")
        for each in whole.rounds.all
        if (each.ended_early and each.counts) or each.state == "not run"
    ]
    canvas.foot("Hatched: " + "; ".join(stopped) if stopped else "")


def _draw_absent(canvas: _Canvas, axes: Axes, x: float, width: float, attempt: Round) -> None:
    """A round that was not run is an outcome: hatched, and never a bar of no height."""
    words = {"not run": "not run", "missing": "missing"}.get(attempt.state, "not known")
    not_run = attempt.state == "not run"
    axes.bar(
        x, 100, width * 0.92, color="none", edgecolor=canvas.style.soft, linewidth=1.5,
        hatch=_HATCH if not_run else None, linestyle="-" if not_run else ":",
    )  # fmt: skip
    axes.text(
        x, 50, words, rotation=90, ha="center", va="center",
        bbox={"facecolor": canvas.style.back or "#303030", "edgecolor": "none", "pad": 5},
    )  # fmt: skip


def _draw_power_throughput(canvas: _Canvas) -> None:
    whole = canvas.whole
    throughput, power = whole.get("pixel_throughput"), whole.get("power")
    points = {
        subject: (throughput[subject].value or 0.0, power[subject].value or 0.0)
        for subject in throughput
        if subject in power
    }
    axes = canvas.axes((0.08, 0.225, 0.82, 0.595))
    right = max(x for x, _ in points.values()) * 1.25
    top = max(y for _, y in points.values()) * 1.22
    axes.set_xlim(0, right)
    axes.set_ylim(0, top)
    _draw_equal_energies(canvas, axes, right, top)
    for subject, (x, y) in points.items():
        axes.plot(
            x, y, marker="o", markersize=20, color=canvas.colour(subject[0]),
            markeredgecolor=canvas.style.ink, markeredgewidth=2, zorder=3,
        )  # fmt: skip
    _spread_labels(canvas, axes, points, right, top)
    axes.set_xlabel("pixel throughput, Mpx/s")
    axes.set_ylabel("power, W")
    canvas.below_title("lines of equal energy a rendered pixel · lower and further right is better")
    canvas.foot(*_notes(whole, _NOTED["power_throughput"]))


def _draw_equal_energies(canvas: _Canvas, axes: Axes, right: float, top: float) -> None:
    """Lines of equal energy a pixel, labelled outside the axes where there is room."""
    last_x = math.inf
    for energy in (25, 50, 75, 100, 150, 200, 300, 400):
        y = energy * right / 1000
        at_right = y <= top
        x = right if at_right else top * 1000 / energy
        axes.plot([0, x], [0, min(y, top)], color=canvas.style.grid, linewidth=2, zorder=1)
        if not at_right and last_x - x < 0.12 * right:
            continue
        last_x = last_x if at_right else x
        axes.annotate(
            f"{energy} nJ/px", (x, min(y, top)), (8, 0) if at_right else (0, 6),
            textcoords="offset points", ha="left" if at_right else "center",
            va="center" if at_right else "bottom", color=canvas.style.soft, annotation_clip=False,
        )  # fmt: skip


def _spread_labels(
    canvas: _Canvas, axes: Axes, points: Mapping[Subject, tuple[float, float]], right: float,
    top: float,
) -> None:  # fmt: skip
    """Label points without one label over another: try places around each, nearest first."""
    taken: list[tuple[float, float, float, float]] = []
    wide, high = 1920 * 0.82, 1080 * 0.595
    dots = [(x / right * wide, y / top * high) for x, y in points.values()]
    for (subject, _), (px, py) in zip(points.items(), dots, strict=True):
        text = label(*subject)
        w, h = len(text) * 18 + 6, 36.0
        places = [
            (px + 24, py - h / 2), (px - 24 - w, py - h / 2), (px - w / 2, py + 22),
            (px - w / 2, py - 22 - h), (px + 24, py + 18), (px + 24, py - 18 - h),
            (px - 24 - w, py + 18), (px - 24 - w, py - 18 - h),
        ]  # fmt: skip

        def clashes(
            left: float, low: float, w: float = w, h: float = h, own: tuple[float, float] = (px, py)
        ) -> int:
            inside = left >= 0 and left + w <= wide and low >= 0 and low + h <= high
            over = sum(
                left < x + a and x < left + w and low < y + b and y < low + h
                for x, y, a, b in taken
            )
            covered = sum(
                left - 14 < x < left + w + 14 and low - 14 < y < low + h + 14
                for x, y in dots
                if (x, y) != own
            )
            return over + covered + (0 if inside else 2)

        left, low = min(places, key=lambda place: clashes(*place))
        taken.append((left, low, w, h))
        axes.text(left / wide, (low + h / 2) / high, text, transform=axes.transAxes, va="center")


# ---------------------------------------------------------------- traces


def _trace_plots(whole: Comparison) -> Iterator[Plot]:
    for subject in whole.rounds.subjects:
        lines = _lines_of(whole, subject, "frame_rate")
        if not lines:
            continue
        verdict = next(
            (v for v in whole.verdicts if (v.device, v.variant) == subject and v.onset), None
        )
        name = "_".join(_plain(part) for part in ("trace", *subject) if part)
        says = verdict.words if verdict else "no fall that lasts is shown"
        yield Plot(
            name, f"{label(*subject)}: frame rate along time", says, _trace_of(subject, verdict)
        )


def _plain(text: str) -> str:
    return "".join(sign if sign.isalnum() or sign in "-" else "-" for sign in text)


def _lines_of(
    whole: Comparison, subject: Subject, quantity: str, sensor: str = ""
) -> list[tuple[Round, float, tuple[float, ...], tuple[float, ...]]]:
    """The longest line of each counted attempt: round, its start, times, values."""
    first = whole.rounds.of(*subject, 1)
    began = first[0].began if first else None
    found = []
    latest = 0.0
    for number in range(1, whole.rounds.last + 1):
        for each in whole.rounds.of(*subject, number):
            lines = [
                line for line in each.series
                if (line.what.quantity, line.what.sensor) == (quantity, sensor)
            ]  # fmt: skip
            start = (each.began - began).total_seconds() if each.began and began else latest
            duration = each.figures.get("duration")
            latest = start + (duration.value if duration else 600.0)
            if lines:
                line = max(lines, key=lambda x: (x.times[-1] - x.times[0], -x.step))
                found.append((each, start, line.times, line.values))
    return found


def _trace_of(subject: Subject, verdict: Verdict | None) -> Callable[[_Canvas], None]:
    def draw(canvas: _Canvas) -> None:
        whole = canvas.whole
        warm = _lines_of(whole, subject, "temperature", "battery")
        axes = canvas.axes((0.08, 0.44 if warm else 0.225, 0.82, 0.385 if warm else 0.6))
        colour = canvas.colour(subject[0])
        lines = _lines_of(whole, subject, "frame_rate")
        panels = [axes]
        _draw_lines(canvas, axes, lines, colour, number=True)
        axes.set_ylabel("fps")
        cap = frame_cap(whole.rounds, whole.session, *subject)
        tops = [max(values) for _, _, _, values in lines]
        axes.set_ylim(0, max([*tops, whole.session.smooth_floor, cap.fps if cap else 0.0]) * 1.18)
        _level(canvas, axes, whole.session.smooth_floor, f"floor {whole.session.smooth_floor:g}")
        if cap:
            _level(canvas, axes, cap.fps, f"cap {cap.fps:g}")
        if warm:
            below = canvas.axes((0.08, 0.225, 0.82, 0.17))
            _draw_lines(canvas, below, warm, colour, number=False)
            below.set_ylabel("°C")
            axes.set_xticklabels([])
            panels.append(below)
        end = max(start + times[-1] for _, start, times, _ in (*lines, *warm))
        for panel in panels:
            panel.set_xlim(0, end * 1.02)
            panel.grid(axis="y")
            minutes = range(0, int(end / 60) + 2, max(1, round(end / 60 / 8)))
            panel.set_xticks([60 * m for m in minutes], [str(m) for m in minutes])
            panel.set_xlim(0, end * 1.02)
        if warm:
            axes.set_xticklabels([])
        panels[-1].set_xlabel("min from the start of round 1, pauses included")
        _draw_onset(canvas, panels, verdict, end)
        canvas.below_title(verdict.words if verdict else _held(whole, subject))
        canvas.foot(*_shown_by(verdict))

    return draw


def _shown_by(verdict: Verdict | None) -> list[str]:
    """What shows the onset, for the foot."""
    if verdict is None or verdict.onset is None:
        return []
    onset = verdict.onset
    shown = [each for each in verdict.evidence if each.startswith(onset.shown_by)]
    lower = "Lower clock, same frame rate: a usual sign of throttling (common practice), no proof"
    return [*shown, *([lower] if onset.sign else [])]


def _held(whole: Comparison, subject: Subject) -> str:
    mine = [v for v in whole.verdicts if (v.device, v.variant) == subject]
    return mine[0].words if mine else ""


def _draw_lines(
    canvas: _Canvas, axes: Axes, lines: Sequence[Any], colour: str, *, number: bool
) -> None:
    from matplotlib.patheffects import Normal, Stroke

    style = canvas.style
    effects = [Stroke(linewidth=5, foreground=style.ink, alpha=0.35), Normal()]
    if style.halo:  # over any ground: dark outside, bright inside
        effects[:1] = [
            Stroke(linewidth=8, foreground=style.halo),
            Stroke(linewidth=5.5, foreground=style.ink),
        ]
    for each, start, times, values in lines:
        axes.plot(
            [start + t for t in times], values, color=colour, linewidth=3, solid_joinstyle="round",
            path_effects=effects,
        )  # fmt: skip
        if number:
            again = f", attempt {each.key.attempt}" if each.key.attempt > 1 else ""
            axes.annotate(
                f"round {each.key.round}{again}", (start, 1.0), (4, -4),
                xycoords=("data", "axes fraction"), textcoords="offset points", va="top",
            )  # fmt: skip


def _level(canvas: _Canvas, axes: Axes, value: float, text: str) -> None:
    axes.axhline(value, color=canvas.style.soft, linewidth=2, linestyle=(0, (6, 4)), zorder=1)
    axes.annotate(
        text, (1.0, value), (6, 0), xycoords=("axes fraction", "data"),
        textcoords="offset points", va="center", color=canvas.style.ink, annotation_clip=False,
    )  # fmt: skip


def _draw_onset(
    canvas: _Canvas, panels: Sequence[Axes], verdict: Verdict | None, end: float
) -> None:
    if verdict is None or verdict.onset is None:
        return
    onset = verdict.onset
    for panel in panels:
        panel.axvspan(onset.from_s, onset.to_s, color=canvas.style.soft, alpha=0.35, zorder=0)
        if onset.is_sharp:
            panel.axvline(onset.at_s, color=canvas.style.ink, linewidth=3)
    late = onset.at_s > 0.7 * end
    words = f"falls {onset.words}" if onset.is_sharp else onset.words
    panels[0].annotate(
        words, (onset.at_s, 0.06), (-8 if late else 8, 0),
        xycoords=("data", "axes fraction"), textcoords="offset points",
        ha="right" if late else "left", weight="bold",
    )  # fmt: skip


# ---------------------------------------------------------------- what is missing


def _missing_plot(whole: Comparison) -> Plot:
    return Plot(
        "missing", "What is missing, and what to measure next",
        "; ".join(each.words for each in whole.todos)
        or "nothing",
        _draw_missing,
    )  # fmt: skip


def _draw_missing(canvas: _Canvas) -> None:
    whole = canvas.whole
    stopped = [
        f"{label(each.key.device, each.key.variant)}: round {each.key.round} not run: {each.why}"
        for each in whole.rounds.all
        if each.state == "not run"
    ]
    wanted = [each.words.replace("`", "") for each in whole.todos]
    lines = [*stopped, *wanted] or ["Nothing is missing that these plots would show."]
    most = 14
    if len(lines) > most:
        lines = [*lines[: most - 1], f"… and {len(lines) - most + 1} more, see comparison.csv"]
    wrapped = [
        part
        for line in lines
        for part in textwrap.wrap(line, 96, initial_indent="•  ", subsequent_indent="    ")
    ]
    canvas.figure.text(0.03, 0.84, "\n".join(wrapped[: most + 2]), va="top", linespacing=1.45)
