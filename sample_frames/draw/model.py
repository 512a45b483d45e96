"""The small physical model behind the samples: six invented handhelds in an invented scene.

One state (charge drawn, battery and chip temperature, clock) is stepped once a second. With demand
``d`` of the scene (1 = the heaviest place), clock ratio ``c`` and the device's constants:

    rate      r = min(cap, full_rate * c / d) * (1 + noise)         frame/s, one window of 1 s;
                in 6 of 1000 windows less, while the scene loads
    frame time  = 1000 / r                                          ms, the same window
    load      u = min(1, cap * d / (full_rate * c))
    power     P = P_idle + P_chip * u * c ** 2.2 (1 + noise)        W, of the cell that is metered
    open voltage E = 3.50 + 0.82 * level / 100                      V, of one cell
    current   I = (E - sqrt(E ** 2 - 4 R P)) / (2 R)                A, so that (E - R I) I = P
    voltage   V = E - R I                                           V, hence P = V I exactly
    level       = 100 * (1 - drawn charge / capacity)               %, drawn charge = integral of I
    battery   dTb/dt = (T_ambient + k_b * cells * P - Tb) / tau_b   first order
    chip      dTc/dt = (Tb + k_c * cells * P - Tc) / tau_c          first order

Gradual throttling: the clock follows 1 - g * max(0, Tb - T_on) with a time constant of 20 s.
Stepped throttling: each threshold of Tb passed sets a lower clock; it comes back 3 degC below.
A device with ``stops_at`` ends the round when Tb reaches it.

A device of two cells in series (``cells = 2``) meters one of them: the figures it shows are half
of what it draws. P = V I and charge still hold for the metered cell.

Statistics of a round are those of the simulated seconds: mean, lowest and highest of the rate are
over windows of 1 s; the share at or above 45 frame/s counts such windows; the 1 % low is 1000 / the
99th percentile of the simulated frame times (of the round's usual definitions this one is meant).
The frame times of a second are log-normal about 1/r and scaled to fill the second.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

ROUND_S = 600
SMOOTH_FLOOR = 45.0


@dataclass(frozen=True)
class Device:
    """One invented handheld: its screen and the constants of the model."""

    name: str
    screen: tuple[int, int]  # landscape, px
    density: float  # px of the capture a CSS px
    chip: str
    render: tuple[int, int]
    cap: float
    full_rate: float
    idle_w: float
    chip_w: float
    capacity_mah: float  # of the metered cell
    clock_mhz: int
    battery_k: float  # degC a W
    chip_k: float
    throttling: str = "none"  # none, gradual, stepped
    gradual: tuple[float, float] = (99.0, 0.0)  # T_on, g
    steps: tuple[tuple[float, float], ...] = ()  # (threshold, clock ratio)
    stops_at: float = 99.0
    ambient: float = 22.0
    cells: int = 1
    sign: int = 1  # of the current while discharging, as shown
    has_load: bool = True
    has_chip_sensor: bool = True
    brightness: int = 100
    start_level: float = 97.0
    dark: bool = False  # theme of its summaries
    minus: str = "\N{MINUS SIGN}"


DEVICES = {
    device.name: device
    for device in (
        Device(
            "H1", (2400, 1080), 2.625, "A-one", (1280, 720), 60, 58, 1.3, 5.4, 5000, 1150,
            2.9, 4.6, "gradual", (32.0, 0.07), dark=True, start_level=98.6,
        ),
        Device(
            "H2", (1280, 720), 4 / 3, "B-two", (1280, 720), 60, 104, 1.6, 7.2, 4200, 985,
            2.2, 3.6, sign=-1, has_load=False, start_level=100.0,
        ),
        Device(
            "H3", (2560, 1440), 3.0, "C-three", (1280, 720), 120, 101, 1.5, 8.6, 5400, 1804,
            2.35, 3.4, "stepped", steps=((36.0, 0.84), (38.0, 0.7)), sign=-1, start_level=96.4,
        ),
        Device(
            "H4", (1920, 1200), 2.0, "A-one", (1280, 720), 60, 63, 0.8, 5.2, 3500, 1150,
            1.15, 2.1, "gradual", (35.0, 0.03), ambient=26.0, cells=2, dark=True,
            start_level=99.5,
        ),
        Device(
            "H5", (1440, 1280), 2.2, "D-four", (1280, 720), 60, 22.5, 0.7, 1.15, 4500, 587,
            2.6, 5.0, sign=-1, has_chip_sensor=False, brightness=150, start_level=91.2, minus="-",
        ),
        Device(
            "H6", (3120, 1440), 3.5, "C-three", (1600, 720), 90, 84, 1.6, 9.2, 4800, 1804,
            3.65, 2.4, "stepped", steps=((41.0, 0.88), (44.5, 0.8)), stops_at=46.4, dark=True,
            start_level=94.3,
        ),
    )
}  # fmt: skip


def variant_of(device: Device, variant: str) -> Device:
    """The device with its frame limiter on or off ('' leaves it as it is)."""
    return replace(device, cap=50.0) if variant == "limiter-on" else device


@dataclass
class State:
    """What carries on from one round to the next."""

    drawn_mah: float
    battery: float
    chip: float
    clock: float = 1.0
    step: int = 0


@dataclass(frozen=True)
class Series:
    """One simulated stretch: arrays of one value a step, and the frame times of all frames."""

    t: np.ndarray
    step_s: float
    columns: dict[str, np.ndarray]
    frame_ms: np.ndarray
    outcome: str = "completed"

    def __getitem__(self, name: str) -> np.ndarray:
        return self.columns[name]

    @property
    def duration(self) -> float:
        return float(len(self.t) * self.step_s)


def fresh_state(device: Device) -> State:
    drawn = device.capacity_mah * (1 - device.start_level / 100)
    return State(drawn, device.ambient + 4.0, device.ambient + 9.0)


def demand(t: np.ndarray | float) -> np.ndarray | float:
    """Demand of the scene at time t of a round, s: four stretches and a ripple."""
    x = np.asarray(t, dtype=float) % ROUND_S
    knots = (0, 20, 130, 160, 280, 310, 400, 430, 470, 560, 600)
    levels = (0.7, 0.86, 0.84, 0.94, 0.92, 1.06, 1.1, 1.0, 0.78, 0.8, 0.7)
    ripple = 0.035 * np.sin(x / 7.3) + 0.02 * np.sin(x / 2.1 + 1)
    return np.interp(x, knots, levels) + ripple


def electric(device: Device, drawn_mah: float, power: float) -> tuple[float, float, float]:
    """Voltage V, current A and level % of the metered cell that gives ``power`` W."""
    level = max(0.0, 100 * (1 - drawn_mah / device.capacity_mah))
    emf, resistance = 3.50 + 0.82 * level / 100, 0.055
    current = (emf - np.sqrt(emf**2 - 4 * resistance * power)) / (2 * resistance)
    return emf - resistance * current, current, level


def _throttle(device: Device, state: State, step_s: float) -> None:
    if device.throttling == "gradual":
        on, slope = device.gradual
        target = max(0.5, 1 - slope * max(0.0, state.battery - on))
        state.clock += (target - state.clock) * min(1.0, step_s / 20)
    elif device.throttling == "stepped":
        while state.step < len(device.steps) and state.battery >= device.steps[state.step][0]:
            state.step += 1
        if state.step and state.battery < device.steps[state.step - 1][0] - 3:
            state.step -= 1
        state.clock = device.steps[state.step - 1][1] if state.step else 1.0


def simulate(
    device: Device,
    state: State,
    seconds: float,
    rng: np.random.Generator,
    step_s: float = 1.0,
    until_level: float = -1.0,
) -> Series:
    """Run the scene for ``seconds`` (or down to ``until_level``); ``state`` carries on."""
    names = ("rate", "power", "voltage", "current", "level", "battery", "chip", "clock", "load")
    rows: list[tuple[float, ...]] = []
    frames: list[np.ndarray] = []
    outcome = "completed"
    for index in range(round(seconds / step_s)):
        need = float(demand(index * step_s)) * (1 + 0.012 * rng.standard_normal())
        able = device.full_rate * state.clock / need
        rate = min(device.cap, able) * (1 + 0.004 * rng.standard_normal())
        if rng.random() < 0.006:  # the scene loads its next part
            rate *= rng.uniform(0.3, 0.75)
        load = min(1.0, device.cap / able) * 0.985
        power = device.idle_w + device.chip_w * load * state.clock**2.2
        power *= 1 + 0.015 * rng.standard_normal()
        voltage, current, level = electric(device, state.drawn_mah, power)
        clock = device.clock_mhz * state.clock * (1 if load > 0.7 else 0.6 + 0.57 * load)
        rows.append(
            (rate, power, voltage, current * 1000, level, state.battery, state.chip, clock,
             100 * load)
        )  # fmt: skip
        if step_s == 1.0:
            times = np.exp(rng.normal(0, 0.07, max(1, round(rate))))
            times[rng.random(len(times)) < 0.004] *= 2.2
            frames.append(times * 1000 / times.sum())
        state.drawn_mah += current * 1000 * step_s / 3600
        heat = device.cells * power
        steady = device.ambient + device.battery_k * heat
        state.battery += (steady - state.battery) * (1 - np.exp(-step_s / 420))
        state.chip += (state.battery + device.chip_k * heat - state.chip) * (
            1 - np.exp(-step_s / 14)
        )
        _throttle(device, state, step_s)
        if state.battery >= device.stops_at:
            outcome = "stopped"
            break
        if level <= until_level:
            break
    table = np.array(rows)
    columns = {name: table[:, number] for number, name in enumerate(names)}
    return Series(
        np.arange(len(rows)) * step_s,
        step_s,
        columns,
        np.concatenate(frames) if frames else np.empty(0),
        outcome,
    )


def pause(device: Device, state: State, seconds: float) -> None:
    """The device rests on its menu: it cools and draws its idle power."""
    _, current, _ = electric(device, state.drawn_mah, device.idle_w)
    state.drawn_mah += current * 1000 * seconds / 3600
    steady = device.ambient + device.battery_k * device.cells * device.idle_w
    state.battery += (steady - state.battery) * (1 - np.exp(-seconds / 420))
    state.chip += (state.battery - state.chip) * (1 - np.exp(-seconds / 14))
    _throttle(device, state, seconds)


def _masked(device: Device, values: dict[str, float | str | None]) -> dict[str, float | str | None]:
    """Without the sensors that the device lacks; None is drawn as the layout's missing mark."""
    hidden = set()
    if not device.has_load:
        hidden.add("gpu_load")
    if not device.has_chip_sensor:
        hidden |= {name for name in values if name.startswith("chip_temperature")}
    return {name: None if name in hidden else value for name, value in values.items()}


def instant(device: Device, series: Series, second: int) -> dict[str, float | str | None]:
    """Every readout an overlay may show in that second of a round, unrounded."""
    rate = series["rate"]
    return _masked(
        device,
        {
            "frame_rate": rate[second],
            "frame_time": 1000 / rate[second],
            "frame_rate_mean": rate[: second + 1].mean(),
            "frame_rate_lowest": rate[: second + 1].min(),
            "power": series["power"][second],
            "current": device.sign * series["current"][second],
            "voltage": series["voltage"][second],
            "battery_temperature": series["battery"][second],
            "chip_temperature": series["chip"][second],
            "gpu_clock": series["clock"][second],
            "gpu_load": series["load"][second],
            "battery_level": series["level"][second],
            "render_size": device.render,
            "run_time": float(second),
        },
    )


def summary(device: Device, series: Series) -> dict[str, float | str | None]:
    """Every readout a summary may show of a round, unrounded."""
    rate = series["rate"]
    return _masked(
        device,
        {
            "frame_rate_mean": rate.mean(),
            "frame_rate_lowest": rate.min(),
            "frame_rate_highest": rate.max(),
            "frame_rate_low_1_percent": 1000 / np.percentile(series.frame_ms, 99),
            "smooth_share": 100 * np.mean(rate >= SMOOTH_FLOOR),
            "frame_count": float(len(series.frame_ms)),
            "power_mean": series["power"].mean(),
            "power_highest": series["power"].max(),
            "current_mean": device.sign * series["current"].mean(),
            "current_highest": device.sign * series["current"].max(),
            "voltage_mean": series["voltage"].mean(),
            "chip_temperature_mean": series["chip"].mean(),
            "chip_temperature_highest": series["chip"].max(),
            "battery_temperature_mean": series["battery"].mean(),
            "battery_temperature_highest": series["battery"].max(),
            "gpu_clock_mean": series["clock"].mean(),
            "gpu_clock_highest": series["clock"].max(),
            "gpu_load_mean": series["load"].mean(),
            "level_start": series["level"][0],
            "level_end": series["level"][-1],
            "render_size": device.render,
            "run_time": series.duration,
            "outcome": series.outcome,
        },
    )


def battery_summary(device: Device, series: Series) -> dict[str, float | str | None]:
    """Every readout of the battery test's screen, unrounded; hours run in steps of series."""
    hours = series.duration / 3600
    values = dict(summary_without_frames(device, series))
    values.update(
        test_time=series.duration,
        charge_used=series["current"].mean() * hours,
        energy_used=series["power"].mean() * hours,
        brightness=float(device.brightness),
    )
    return values


def summary_without_frames(device: Device, series: Series) -> dict[str, float | str | None]:
    return summary(device, replace(series, frame_ms=np.array([1000 / series["rate"].mean()])))


@dataclass
class Round:
    """One round that was run: its facts, its series, when it began (s of the session)."""

    device: Device
    variant: str
    number: int
    attempt: int
    starts: float
    series: Series = field(repr=False)
