"""What leaves a run out of the statistics: one rule, stated here and nowhere else.

A split or a top speed is left out when something that is not the build's doing begins before it
is reached. ``counted`` in the day sheet overrules, with its reason.
"""

from __future__ import annotations

from collections.abc import Iterable

from overlay.runs.model import Mark

# Clutch slip belongs to every launch with a centrifugal clutch, so it spoils nothing; a late
# launch does not either, since time counts from the first movement.
OUT_OF_SPLITS = frozenset({"wheelspin", "limiter cut", "lift", "gap", "creeping launch"})
# The limiter is part of the top speed that a build can reach; a slow start takes nothing from it.
OUT_OF_TOP = frozenset({"wheelspin", "lift", "gap"})
TOLD = OUT_OF_SPLITS | {"late launch"}
RULE = (
    "Left out of a split: runs with wheelspin, a limiter cut, a lift, a gap in the log or a "
    "creeping launch before its goal; of top speed: with wheelspin, a lift or a gap before it. "
    "A late launch, and wind or slope noted different, are kept and told. 'counted' in the sheet "
    "overrules."
)


def spoiling(marks: Iterable[Mark], kinds: frozenset[str], until_s: float | None) -> str:
    """Kinds of the marks that begin before a goal is reached, in words; empty where none does.

    Parameters
    ----------
    marks : iterable of Mark
    kinds : frozenset of str
        `OUT_OF_SPLITS` or `OUT_OF_TOP`.
    until_s : float or None
        Footage time at which the goal is reached; None counts every mark.

    Examples
    --------
    >>> lift = Mark("lift", 6.0, 6.5, "The speed falls.")
    >>> spoiling([lift], OUT_OF_SPLITS, 7.0), spoiling([lift], OUT_OF_SPLITS, 5.0)
    ('lift', '')
    """
    found = [m.kind for m in marks if m.kind in kinds and (until_s is None or m.start_s <= until_s)]
    return ", ".join(dict.fromkeys(found))
