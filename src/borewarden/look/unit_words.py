"""Units as shops write them, and the words of headers, in some of the languages of the trade."""

from __future__ import annotations

from borewarden.base.units import conversion

PER_MINUTE = ("Hz", "strokes/min")
MILLI = "mPa"  # a thousandth of a pascal, and not a million
# what shops write, in small letters -> SI unit of its kind, and the unit as [log] takes it
UNIT_WORDS: dict[str, tuple[str, str]] = {
    **dict.fromkeys(("bar", "barg", "bar(g)", "bar g"), ("Pa", "bar")),
    **dict.fromkeys(("mpa", "mpag"), ("Pa", "MPa")),
    **dict.fromkeys(("psi", "psig", "lbf/in2"), ("Pa", "psi")),
    **dict.fromkeys(("kpsi", "ksi"), ("Pa", "kpsi")),
    **dict.fromkeys(("kpa",), ("Pa", "kPa")),
    **dict.fromkeys(("kg/cm2", "kgf/cm2", "kg/cm²", "kgf/cm²"), ("Pa", "kgf/cm^2")),
    **dict.fromkeys(("°c", "degc", "deg c", "c", "℃", "grad c"), ("K", "degC")),
    **dict.fromkeys(("°f", "degf", "deg f", "f", "℉"), ("K", "degF")),
    "k": ("K", "K"),
    **dict.fromkeys(("strokes/min", "1/min", "/min", "spm", "min-1", "min^-1"), PER_MINUTE),
    **dict.fromkeys(("hübe/min", "coups/min", "cpm", "str/min"), PER_MINUTE),
    **dict.fromkeys(("rpm", "u/min", "r/min", "rev/min", "tr/min"), ("Hz", "rpm")),
    **dict.fromkeys(("hz", "1/s", "/s", "strokes/s"), ("Hz", "Hz")),
    **dict.fromkeys(("l/min", "lpm", "lt/min", "liter/min"), ("m^3/s", "l/min")),
    **dict.fromkeys(("gpm", "gal/min", "usgpm"), ("m^3/s", "gpm")),
    **dict.fromkeys(("l/h", "lph"), ("m^3/s", "l/h")),
    **{word: ("s", word) for word in ("s", "ms", "min", "h")},
    **dict.fromkeys(("-", "1", "count", "counts", "n", "bool", "0/1", "on/off"), ("", "")),
    **dict.fromkeys(("%", "percent"), ("dimensionless", "percent")),
    **{word: ("other", word) for word in ("a", "amp", "v", "kw", "w", "mm", "m", "kwh", "nm")},
}
# how the trade writes units whose letters shops often make small, as in the name of a column
SPELLED = {"mpa": "MPa", "kpa": "kPa", "hz": "Hz", "k": "K",
           **dict.fromkeys(("c", "°c"), "°C"), **dict.fromkeys(("f", "°f"), "°F")}  # fmt: skip

WORDS: dict[str, tuple[str, ...]] = {
    "pressure": ("press", "druck", "pression", "presion", "pressione", "hp", "uhp", "intensifier"),
    "rate": (
        "rate",
        "rpm",
        "speed",
        "strokes",
        "hub",
        "hübe",
        "coups",
        "drehzahl",
        "flow",
        "durchfluss",
        "debit",
        "débit",
        "crank",
        "spm",
    ),
    "stroke_count": ("stroke", "count", "hub", "hübe", "coups", "zähler", "cycles", "turns"),
    "temperature": ("temp", "water", "wasser", "eau", "agua", "feed"),
    "valve": ("valve", "jet", "ventil", "nozzle", "cutting", "on", "vanne", "strahl"),
}
# of how many heads are open, and of the signal of a single one
HEADS_WORDS = ("heads", "jets", "nozzles", "köpfe", "koepfe", "düsen", "duesen", "têtes", "tetes")
HEAD_WORDS = (*HEADS_WORDS, "head", "jet", "nozzle", "kopf", "düse", "duese", "tête", "tete")
# of a rate: strokes of an intensifier's plunger, or turns of a crank
STROKE_WORDS = ("stroke", "hub", "hübe", "huebe", "coups", "plunger", "kolben", "piston", "spm")
TURN_WORDS = ("crank", "kurbel", "rpm", "speed", "drehzahl", "turn", "rev", "motor", "shaft")
CRANK_WORDS = ("crank", "kurbel", "rpm", "drehzahl")  # nobody calls strokes that
SET_WORDS = ("set", "soll", "target", "sp", "consigne", "command", "nominal", "limit")
OTHER_WORDS: dict[str, tuple[str, ...]] = {
    "oil_pressure": ("oil", "öl", "huile", "hydraul"),
    "boost_pressure": ("boost", "feed", "inlet", "speise", "vordruck"),
}
NOT_WATER = (
    "oil",
    "öl",
    "huile",
    "hydraul",
    "ambient",
    "air",
    "room",
    "motor",
    "weep",
    "leak",
    "seal",
    "drain",
    "check",
    "cabinet",
    "luft",
    "hall",
    "bypass",
)


FOREIGN = (
    "current",
    "strom",
    "courant",
    "amp",
    "load",
    "torque",
    "power",
    "abrasive",
    "abrasiv",
    "position",
    "level",
    "hours",
    "program",
    "parts",
    "alarm",
    "voltage",
)

NOT_SPEED = (*FOREIGN, *NOT_WATER, "temp", "press", "druck", "case", "gehäuse", "angle", "winkel",
             "vibration")  # of a crank beside its speed  # fmt: skip

SHORT = 4  # letters; words with fewer have to stand alone


def known_unit(text: str) -> tuple[str, str] | None:
    """SI unit of the kind and the unit as [log] takes it; None if `text` names no unit known."""
    return UNIT_WORDS.get(text.strip().lower())


def stated_kind(text: str | None) -> tuple[str, str] | None:
    """As `known_unit`, of what a file states; a unit of something else is of the kind "other"."""
    return None if not text else known_unit(text) or ("other", text)


def spelled(text: str) -> str:
    """A unit as the trade writes it, such as "MPa" for "mpa"."""
    return text if text == MILLI else SPELLED.get(text.lower(), text)


def unit_as_logged(text: str, si: str) -> str:
    """`text` itself where [log] takes it as a unit of that kind, else the unit that it means."""
    try:
        conversion(text, si)
    except ValueError:
        found = known_unit(text)
        return found[1] if found else text
    return spelled(text)


def has_word(name: str, words: tuple[str, ...]) -> bool:
    """Whether a header has one of the words; short ones have to stand alone."""
    lower = name.lower()
    alone = "".join(letter if letter.isalnum() else " " for letter in lower).split()
    return any(word in alone if len(word) < SHORT else word in lower for word in words)
