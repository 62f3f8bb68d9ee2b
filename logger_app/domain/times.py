"""How a time on the flight clock is written, everywhere: in tables, on screens and in subtitles."""

from __future__ import annotations


def flight_time(flight_s: float) -> str:
    """Minutes, seconds and tenths: ``12:04.3``, with hours in front where there are any.

    Parameters
    ----------
    flight_s : float
        Time since recording began [s].

    Examples
    --------
    >>> flight_time(724.31), flight_time(59.97), flight_time(3724.25), flight_time(-0.2)
    ('12:04.3', '1:00.0', '1:02:04.2', '0:00.0')
    """
    minutes, tenths = divmod(max(round(flight_s * 10), 0), 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{tenths // 10:02d}.{tenths % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def cue_time(seconds: float, point: str = ".") -> str:
    """Hours, minutes, seconds and milliseconds, as WebVTT (W3C) and, with a comma for `point`, SRT have them.

    Examples
    --------
    >>> cue_time(3724.2504), cue_time(1.5, ","), cue_time(-3.0)
    ('01:02:04.250', '00:00:01,500', '00:00:00.000')
    """
    hours, ms = divmod(max(round(seconds * 1000), 0), 3_600_000)
    minutes, ms = divmod(ms, 60_000)
    return f"{hours:02d}:{minutes:02d}:{ms // 1000:02d}{point}{ms % 1000:03d}"
