"""What to mind before anyone goes to the mirror; the same words on screens, pages and in the README."""

from __future__ import annotations

import textwrap
from typing import Final

#: (topic, sentences). Common practice at large optics; local rules go before every one of them.
CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    (
        "Calculation aid",
        "These numbers authorise no work. Local rules, the risk assessment, permits and the qualified or licensed "
        "persons responsible decide what is done; if unsure, stop and ask.",
    ),
    (
        "Over-travel",
        "Turn no screw past its stop or beyond its rated torque. Read the position before and after each move; at any "
        "unexpected resistance, or if a reading does not follow, stop.",
    ),
    (
        "Lifting and heavy carrier",
        "Lift only at rated points, with mass and centre of gravity known and trained persons at the crane; never "
        "stand below a load. Supports and adjusters are not lifting gear; check that each carries load after a move.",
    ),
    (
        "Pinch and crush",
        "Keep fingers out of the gaps between carrier, segments and supports. Work in pairs; preloaded flexures "
        "store energy and may let it go at once.",
    ),
    (
        "Motion and access",
        "Disable and lock drives before reaching in. Mind falls from platforms and the rules for confined spaces.",
    ),
    (
        "Vacuum vessel",
        "Open only when two independent readings show atmospheric pressure. Check for oxygen after venting with "
        "nitrogen or argon, and treat windows as fragile. Pumping down moves what stands in the vessel: measure again.",
    ),
    (
        "Radiation and controlled areas",
        "Enter only with the shutter closed and locked and the area released by radiation protection. Wear the "
        "dosimeter; parts may be activated or contaminated, so keep the time at the mirror short.",
    ),
    (
        "Lasers",
        "Trackers and interferometers: heed the laser class, and remember that a curved mirror gathers what it "
        "reflects. Keep eyes out of the plane of the beam.",
    ),
    (
        "Optics",
        "Gloves on, touch no coated surface, keep tools tethered. Glass edges chip and cut; debris of broken "
        "coatings may be toxic.",
    ),
)

#: What to mind besides when a whole carrier is moved by its cams.
CARRIER_CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    (
        "Moving a carrier by its cams",
        "A carrier weighs tonnes and is lifted by cams only within their stated range, one wheel at a time in the "
        "order of the list, never with anyone under it or between it and its mount. Cams are no lifting gear. After "
        "each round check that every contact carries load; stop if one does not, or if a wheel needs more force than "
        "usual.",
    ),
)


def cautions_text(width: int = 100, *, carrier: bool = False) -> str:
    """The cautions for a screen, a paragraph each; `carrier`: with those of moving a carrier by its cams."""
    paragraphs = (
        textwrap.fill(f"{topic}: {text}", width, initial_indent="  ", subsequent_indent="    ")
        for topic, text in ((*CARRIER_CAUTIONS, *CAUTIONS) if carrier else CAUTIONS)
    )
    return "\n".join(["Before anyone goes to the mirror", *paragraphs])
