"""Under what a batch stood while its heat was made: what was entered for the bucket, and what the log says of it since.

A bucket is poured and blended bare and then wrapped, so what was entered with the recipe is often not what it stood
under.
"""

from __future__ import annotations

from collections.abc import Sequence

BARE = "bare"
COVERED_LATER, UNCOVERED_LATER = "covered later", "uncovered later"

# The hours in which the heat is made: by then a good batch is past its peak, and what comes later bears on its cooling.
_HOURS_S = 6 * 3600.0
# Wrapped within an hour, or bare for so long in all (looked at, too hot for a while), is under the cover.
_BARE_AT_MOST_S = 3600.0
# A cover that was on for so short a time was put on by mistake.
_COVERED_AT_LEAST_S = 600.0


def cover_from(entered: str, noted: Sequence[tuple[float, bool]], from_s: float) -> str:
    """The cover over the six hours from ``from_s`` on.

    ``entered`` is what was entered for the bucket, ``noted`` (time, whether it was covered from then on). The answer is
    ``entered``, BARE, "blanket" (a bare bucket that was covered), COVERED_LATER or UNCOVERED_LATER.
    """
    wrap = "blanket" if entered == BARE else entered
    covered, since_s, until_s = entered != BARE, from_s, from_s + _HOURS_S
    under_s = 0.0
    for at_s, now_covered in sorted(noted):
        if at_s >= until_s:
            break
        if at_s > since_s:
            under_s += (at_s - since_s) * covered
            since_s = at_s
        covered = now_covered
    under_s += (until_s - since_s) * covered
    if _HOURS_S - under_s <= _BARE_AT_MOST_S:
        return wrap
    if under_s < _COVERED_AT_LEAST_S:
        return BARE
    return COVERED_LATER if covered else UNCOVERED_LATER
