"""Amounts as people read them."""

from __future__ import annotations


def size_text(size_bytes: int) -> str:
    """Return a size in decimal units with three figures, and in bytes below 1 kB."""
    if size_bytes < 1000:
        return f"{size_bytes} B"
    size = float(size_bytes)
    for unit in ("kB", "MB", "GB", "TB"):
        size /= 1000
        if size < 999.5:
            return f"{size:.3g} {unit}"
    return f"{size / 1000:.4g} PB"


def duration_text(seconds: float) -> str:
    """Return a length of time in its two largest units."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    if days:
        return f"{days} d {hours} h"
    if hours:
        return f"{hours} h {minutes:02} min"
    return f"{minutes} min {rest:02} s" if minutes else f"{rest} s"
