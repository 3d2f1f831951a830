"""What each question of a look means, and where the answer stands: shown for a "?"."""

from __future__ import annotations

from borewarden.look.question import PanelQuestion, Question
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS

CHOICES = {  # closed sets of answers
    "kind": ("intensifier", "direct drive"),
    "regulation": ("none", "speed", "bypass"),
    "material": tuple(DISCHARGE_COEFFICIENTS),
}
FIGURES = {
    "name": "What people call the machine. Pages and mails use it.",
    "time_zone": "The zone of your local times, such as Europe/Vienna or America/Chicago.",
    "kind": "An intensifier strokes to and fro, driven by oil. Direct drive turns plungers on a "
    "crank.",
    "rated_pressure": "The highest continuous pressure on the name plate: 60 kpsi, 4100 bar or "
    "410 MPa.",
    "rated_power": "The motor's, on its plate: 37 kW or 50 hp.",
    "plungers": "How many plungers the crank drives, usually 3.",
    "plunger_diameter": "The small, high-pressure plunger's, in the manual or the list of spare "
    "parts: 22 mm or 0.875 in.",
    "stroke": "The plunger's travel one way, in the manual: 200 mm or 7.5 in.",
    "dead_volume": "Water left in one chamber at the end of its stroke: 8 cm^3 or 0.5 in^3. Seldom "
    "printed; ask the pump's maker, or leave the guess.",
    "max_stroke_rate": "The overstroke limit, each direction counted as a stroke: 60 strokes/min.",
    "intensification_ratio": "Area of the oil piston over area of the plunger, usually about 20.",
    "volumetric_efficiency": "Water delivered of water swept, after seals and check valves: 95 %.",
    "crank_speed": "Of the crank itself at rated speed, not of the motor: 305 rpm.",
    "regulation": "What holds the pressure. none: it floats with the orifice; speed: a drive trims "
    "the speed; bypass: a valve spills the surplus.",
    "heads": "Cutting heads that this pump feeds, whether they cut together or by turns. Each has "
    "a jewel of its own.",
    "bore": "The fitted jewel's, on the job sheet or its box: 0.010 in or 0.25 mm.",
    "material": "The fitted jewel's, on the job sheet or its box.",
}  # values are examples, no source
OPTIONS = {
    "--date-order": "Whether 03/04/2026 is 3 April (day-first) or March 4 (month-first).",
    "--decimal": "Whether 1,234 is one and a bit (comma) or more than a thousand (point).",
    "--date": "The day on which the log began, such as 2026-03-17.",
    "--start": "When the log began, local time, such as 2026-03-17T06:00:00.",
    "--is": "Which column is what, as in pressure=PT101; temperature=none if there is none.",
    "--unit": "The unit of a channel, as in rate=strokes/min or pressure=bar.",
    "--time": "The column with the times.",
    "--sheet": "The sheet of the spreadsheet that has the log.",
}


def question_help(question: Question) -> str:
    """What a question of the form, or of the panel, means."""
    if isinstance(question, PanelQuestion):
        return (
            f"Type what the panel shows while the jet is on, with its unit: {question.example}. "
            "Type none if the panel does not show it. The operator reads it from the panel; nobody "
            "goes near the jet for it."
        )
    return OPTIONS.get(question.option, question.right)
