"""A session file to fill in, for who has none: what no capture shows, with the devices named.

Only what is known stands in it. The rest waits behind ``#`` with its unit and without a value:
what is taken in by mistake is refused, never believed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import tomlkit

from extractor.comparing.deriving import Subject
from extractor.comparing.rounds import Round
from extractor.comparing.throttling import frame_cap
from extractor.comparing.whole import Comparison

_HEAD = """\
# What no capture shows. Where you know it, fill it in and take away the # before it; then run
# `ocrlog compare` again. Every key is optional; docs/session.md explains them.
format = 1
# scene = ""
# rounds = {planned}            # planned
# ambient =             # °C, the room
"""
_BATTERY = '# battery = { charge = , nominal_voltage = , voltage_of = "cell" }   # mA·h, V'


def draft(whole: Comparison, screens: Mapping[str, Sequence[tuple[int, int]]]) -> str:
    """Return the text of a session.toml. ``screens``: device -> the pixel sizes of its captures."""
    variants: dict[str, list[str]] = defaultdict(list)
    for device, variant in whole.rounds.subjects:
        variants[device] += [variant] if variant else []
    parts = [_HEAD.format(planned=whole.rounds.planned)]
    for device in dict.fromkeys(device for device, _ in whole.rounds.subjects):
        lines = [f"[device.{_key(device)}]"]
        # Of several sizes one would contradict the captures of the others.
        sizes = set(screens.get(device, ()))
        lines += [f"screen = [{long}, {short}]" for long, short in sizes if len(sizes) == 1]
        lines += ['# chip = ""', _BATTERY]
        lines += ['# frames = ""           # "rendered" or "displayed": what its frame rate counts']
        if not variants[device]:
            lines.append(_cap(whole, (device, "")))
        parts.append("\n".join(lines) + "\n")
        for variant in variants[device]:
            head = f"[device.{_key(device)}.variant.{_key(variant)}]"
            parts.append(f"{head}\n{_cap(whole, (device, variant))}\n")
    parts += [_odd(each) for each in whole.rounds.all if each.state == "missing"]
    parts += [_odd(each) for each in whole.rounds.all if each.ended_early and _again(each, whole)]
    return "\n".join(parts)


def _key(name: str) -> str:
    return tomlkit.key(name).as_string()


def _cap(whole: Comparison, subject: Subject) -> str:
    cap = frame_cap(whole.rounds, whole.session, *subject)
    if cap is None:
        return "# frame_cap =           # fps"
    return f"# frame_cap = {cap.fps:g}        # fps: {cap.seen}"


def _again(each: Round, whole: Comparison) -> bool:
    """Whether a round was run more than once."""
    key = each.key
    return len(whole.rounds.of(key.device, key.variant, key.round)) > 1


def _odd(each: Round) -> str:
    key = each.key
    missing = each.state == "missing"
    lines = ["[[not_run]]" if missing else "[[does_not_count]]"]
    lines.append(f"device = {tomlkit.item(key.device).as_string()}")
    if key.variant:
        lines.append(f"variant = {tomlkit.item(key.variant).as_string()}")
    lines.append(f"round = {key.round}")
    lines += [] if missing else [f"attempt = {key.attempt}"]
    lines.append('reason = ""          # such as "stopped by heat"' if missing else 'reason = ""')
    return "".join(f"# {line}\n" for line in lines)
