"""Moved to `borewarden.inspection`; the names stay here until every file imports from there."""

from borewarden.diagnose.causes import DIRECT_DRIVE, INTENSIFIER
from borewarden.inspection.evidence import PRIOR_MISALIGNED
from borewarden.inspection.posterior import SPEAKS, misalignment, prior_beliefs, weigh_answers
from borewarden.inspection.record import Finding, Inspection, Picture
from borewarden.inspection.steps import (
    BEARS,
    BY_NAME,
    NOT_LOOKED,
    STEPS,
    Place,
    check_answer,
    steps_for,
)
from borewarden.inspection.steps import InspectionStep as Step  # old name

__all__ = [
    "BEARS",
    "BY_NAME",
    "DIRECT_DRIVE",
    "INTENSIFIER",
    "NOT_LOOKED",
    "PRIOR_MISALIGNED",
    "SPEAKS",
    "STEPS",
    "Finding",
    "Inspection",
    "Picture",
    "Place",
    "Step",
    "check_answer",
    "misalignment",
    "prior_beliefs",
    "steps_for",
    "weigh_answers",
]
