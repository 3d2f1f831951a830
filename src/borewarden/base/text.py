"""Numbers as people read them."""

from __future__ import annotations


def probability_words(probability: float) -> str:
    """A probability in per cent; never 0 or 100, of which no model can be sure."""
    if probability < 0.001:
        return "below 0.1 %"
    if probability > 0.999:
        return "above 99.9 %"
    return f"{probability:.1%}".replace("%", " %")


def span_words(seconds: float) -> str:
    """A span of time in the largest unit that makes it a small number."""
    seconds = round(max(seconds, 0.0))
    for length, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2.0 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds} s"
