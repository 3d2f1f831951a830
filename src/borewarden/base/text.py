"""Numbers as people read them, and names as people write them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

TWO = 2  # names that still read well in a row


def known_name(text: str, known: Iterable[str]) -> str | None:
    """The one of `known` that `text` names, in whatever case; None if there is none."""
    return next((name for name in known if name.casefold() == text.strip().casefold()), None)


def probability_words(probability: float) -> str:
    """A probability in whole per cent; never 0 or 100, since no model can be that sure."""
    percent = round(100.0 * probability)
    if percent < 1:
        return "below 1 %"
    return "above 99 %" if percent > 99 else f"{percent} %"


def every_nth(n: int) -> str:
    """Such as "every third", "every 21st"; "each" for 1."""
    if n in _ORDINALS:
        return _ORDINALS[n]
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"every {n}{ending}"


def counted(count: float, noun: str) -> str:
    """Such as "1 jet hour", "12 jet hours"; a `count` is shown in whole numbers."""
    number = f"{count:,.0f}"
    return f"{number} {noun}" if number == "1" else f"{number} {noun}s"


def either(names: Sequence[str]) -> str:
    """Such as "a, or b"; more than two are a list, since a name may have an "or" of its own."""
    if len(names) > TWO:
        return f"one of {', '.join(f'({n}) {name}' for n, name in enumerate(names, start=1))}"
    return ", or ".join(names)


def span_words(seconds: float) -> str:
    """A span of time in the largest unit in which it is at least 2."""
    seconds = round(max(seconds, 0.0))
    for length, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2.0 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds} s"


_ORDINALS = {1: "each", 2: "every second", 3: "every third", 4: "every fourth"}
