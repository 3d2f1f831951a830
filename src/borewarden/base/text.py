"""Numbers as people read them."""

from __future__ import annotations


def probability_words(probability: float) -> str:
    """A probability in per cent; never 0 or 100, of which no model can be sure."""
    if probability < 0.001:
        return "below 0.1 %"
    if probability > 0.999:
        return "above 99.9 %"
    return f"{probability:.1%}".replace("%", " %")
