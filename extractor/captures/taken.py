"""When a still was taken: from its name, else from what the camera wrote into it."""

from __future__ import annotations

import re
from datetime import datetime

# A date, perhaps "at", a time, perhaps thousandths, perhaps AM or PM. The same mark stands
# between the parts of the date, and between those of the time.
_STAMP = re.compile(
    r"""(?<![0-9])
    (?P<year>20[0-9]{2}) (?P<d>[-_.]?) (?P<month>[0-9]{2}) (?P=d) (?P<day>[0-9]{2})
    (?: [-_.,T\s]{0,3} | [\s_-]+at[\s_-]+ )
    (?P<hour>[0-9]{1,2}) (?P<t>[-_.:]?) (?P<minute>[0-9]{2}) (?P=t) (?P<second>[0-9]{2})
    (?: [-_.,]? (?P<thousandths>[0-9]{3}) )? (?![0-9])
    (?: [\s_]* (?P<half>[ap])\.?m\b )?""",
    re.VERBOSE | re.IGNORECASE,
)


def taken_from_name(name: str) -> str:
    """The first real date and time of 2000 to 2099 in a file's ``name``, ISO 8601, or ''."""
    for match in _STAMP.finditer(name):
        hour = int(match["hour"])
        if len(match["hour"]) == 1 and not match["t"]:
            continue
        if match["half"]:
            if not 1 <= hour <= 12:
                continue
            hour = hour % 12 + (12 if match["half"].lower() == "p" else 0)
        try:
            moment = datetime(
                int(match["year"]),
                int(match["month"]),
                int(match["day"]),
                hour,
                int(match["minute"]),
                int(match["second"]),
                1000 * int(match["thousandths"] or 0),
            )
        except ValueError:
            continue
        return moment.isoformat(timespec="milliseconds" if match["thousandths"] else "seconds")
    return ""


def taken_from_exif(original: object, fraction: object, offset: object) -> str:
    """ISO 8601 of the EXIF tags DateTimeOriginal, SubSecTimeOriginal, OffsetTimeOriginal, or ''.

    Source of the forms: CIPA DC-008 (EXIF 2.32), 4.6.5: ``YYYY:MM:DD HH:MM:SS``, ``+HH:MM``.
    """
    try:
        moment = datetime.strptime(_plain(original), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return ""
    if not 2000 <= moment.year <= 2100:
        return ""
    parts = _plain(fraction)
    decimals = f".{parts[:3]:0<3}" if re.fullmatch("[0-9]+", parts) else ""
    zone = _plain(offset)
    return moment.isoformat() + decimals + (zone if _is_offset(zone) else "")


def _is_offset(zone: str) -> bool:
    return re.fullmatch("[+-](0[0-9]|1[0-4]):[0-5][0-9]", zone) is not None


def _plain(value: object) -> str:
    return value.strip("\0 ") if isinstance(value, str) else ""
