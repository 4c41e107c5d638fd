"""All that one profile can be asked by itself, together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ellipsefit import rows
from ellipsefit.arrays import FloatArray
from ellipsefit.checks.curve import check_ends, check_lines, check_size, segment_curves
from ellipsefit.checks.design import check_changed, check_mirror, positions, same_segments
from ellipsefit.checks.edges import check_gaps, check_joints
from ellipsefit.checks.fingerprint import check_earlier, check_stale
from ellipsefit.checks.segments import check_segments
from ellipsefit.checks.suspicion import Suspicion
from ellipsefit.profile import PlacedProfile, Profile, to_mirror_frame
from ellipsefit.results import Result


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfCheck:
    """One question asked of the data."""

    question: str
    answer: str  # 'agrees', 'SUSPECT', or why it can't tell


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked(Result):
    """What the self-checks found, and what each could tell."""

    suspicions: tuple[Suspicion, ...] = ()
    checks: tuple[SelfCheck, ...] = ()

    def with_more(self, question: str, found: Sequence[Suspicion]) -> Checked:
        """With the answer to one more question, which could be told."""
        check = SelfCheck(question=question, answer="SUSPECT" if found else "agrees")
        return Checked(suspicions=(*self.suspicions, *found), checks=(*self.checks, check))

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "suspicions": [item.to_dict() for item in self.suspicions],
            "self_checks": {check.question: check.answer for check in self.checks},
        }

    def rows(self) -> list[rows.Table]:
        """As a table."""
        cells = tuple((check.question, check.answer) for check in self.checks)
        return [rows.Table(title="Self-checks", cells=cells, notes=tuple(str(item) for item in self.suspicions))]


def used_positions(profile: Profile, placed: PlacedProfile) -> FloatArray:
    """Positions of all points in use, in the mirror frame, those in no segment and at edges among them."""
    x, _, _ = to_mirror_frame(profile, placed.mirror)
    return x[profile.used & np.isfinite(x)]


def check_profile(placed: PlacedProfile, profile: Profile | None = None) -> Checked:
    """Whether a profile can be that of its mirror.

    Parameters
    ----------
    placed : PlacedProfile
    profile : Profile, optional
        The same before it was placed: points between segments tell more of where the gaps are.
    """
    curves = segment_curves(placed)
    size = check_size(curves)
    ends, told = check_ends(curves)
    if not size and not ends:
        size = check_lines(curves)
    # one slip that explains all comes before several that explain as much
    odd = [] if ends else check_segments(curves)
    if odd:
        size = [item for item in size if item.refused]
    gaps, seen = check_gaps(placed.x if profile is None else used_positions(profile, placed), placed.mirror)
    known = {item.kind for item in ends}
    gaps = [item for item in gaps if item.kind not in known]
    if not (size or ends or odd or gaps):
        gaps = check_joints(placed)
    design = check_mirror(placed.mirror)

    def answer(found: list[Suspicion], can_tell: bool, why: str) -> str:
        return "SUSPECT" if found else "agrees" if can_tell else f"can't tell: {why}"

    single = len(curves.numbers) < 2
    checks = (
        SelfCheck(question="mirror file: sizes", answer=answer(design, True, "")),
        SelfCheck(question="sign and size of the curve", answer=answer(size, True, "")),
        SelfCheck(
            question="direction of x, by the change of curvature",
            answer=answer(ends, told, "the curve looks the same from both ends, as where p = q"),
        ),
        SelfCheck(
            question="places of the gaps", answer=answer(gaps, seen, "no two gaps that points are close enough to show")
        ),
        SelfCheck(question="each segment in its place", answer=answer(odd, not single, "there is one segment only")),
    )
    return Checked(suspicions=(*size, *ends, *odd, *gaps, *design), checks=checks)


def check_rounds(now: PlacedProfile, earlier: Sequence[tuple[str, PlacedProfile]]) -> list[Suspicion]:
    """What a profile says against earlier ones of the same mirror, and its mirror file against theirs.

    Parameters
    ----------
    now : PlacedProfile
    earlier : sequence of (str, PlacedProfile)
        What each is called, and what was measured, the last one last: form is compared with that one, and whether it
        is measured anew with all.
    """
    found: list[Suspicion] = []
    for number, (name, then) in enumerate(earlier):
        last = number == len(earlier) - 1
        if last:
            found += check_changed(now.mirror, then.mirror, name)
        if not same_segments(now.mirror, then.mirror):
            continue
        moved = positions(now.mirror) != positions(then.mirror)
        stale = check_stale(now, then, name, moved=moved)
        if stale:
            return [*found, *stale]
        if last:
            found += check_earlier(now, then, name)
    return found
