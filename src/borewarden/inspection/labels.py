"""Pictures of an inspection, and what inspections teach: labels for tuning."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path

from borewarden.base.files import read_file
from borewarden.collect.labels import Label
from borewarden.diagnose.causes import Cause
from borewarden.inspection.record import Finding, Inspection
from borewarden.jewels.rim import RimFinding

LARGEST_PICTURE = 25 * 1024**2  # bytes; pictures are kept in the store
RIM_ANSWERS = {  # of the step "rim"; what can't be told is no answer
    RimFinding.SOUND: "sound",
    RimFinding.DOUBTFUL: "doubtful",
    RimFinding.CHIPPED: "chipped",
}
_OF_THE_JEWEL = (Cause.BORE, Cause.OTHER_BORE, Cause.BLOCKED)  # these change its own area


def picture_bytes(path: Path) -> bytes:
    """The bytes of the picture at `path`.

    Raises BadInput: no such file, larger than `LARGEST_PICTURE`, or not a picture. Raises
    MissingExtra where nothing can read pictures.
    """
    from borewarden.jewels.rim_image import grey_picture  # slow to load, and an extra

    content = read_file(path, "give a PNG, TIFF or JPEG", LARGEST_PICTURE)
    grey_picture(path, str(path))
    return content


def labels_of(inspections: Iterable[Inspection]) -> dict[str, list[Label]]:
    """By machine, in order of time, what inspections settled, as labels files have it.

    An inspection that confirms a cause, or explains the alert by one, makes a label from the onset
    on, or from the alert where no onset is known. Of several on one alert the last one counts: give
    them in the order in which they were recorded. One that only rules the bore out names no cause,
    and makes none.
    """
    last = {(each.machine, each.alert_ns or each.time_ns): each for each in inspections}
    labels: dict[str, list[Label]] = {}
    for each in last.values():
        settled = each.finding in (Finding.CONFIRMED, Finding.EXPLAINED)
        if settled and each.cause is not None and each.cause is not Cause.UNKNOWN:
            labels.setdefault(each.machine, []).append(_label(each, each.cause))
    return {
        machine: sorted(own, key=lambda label: label.start_ns) for machine, own in labels.items()
    }


def _label(inspection: Inspection, cause: Cause) -> Label:
    event = cause.name.lower().replace("_", " ")
    if cause is Cause.BORE:
        event = "wear" if inspection.answers.get("rim") == "worn" else "chip"
    starts = (inspection.onset_ns, inspection.alert_ns, inspection.time_ns)
    return Label(
        next(time_ns for time_ns in starts if time_ns is not None),
        None,
        event,
        inspection.step if cause in _OF_THE_JEWEL and inspection.step else math.nan,
        f"inspected by {inspection.by}: {inspection.reason}",
    )
