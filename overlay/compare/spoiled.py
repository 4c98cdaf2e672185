"""What leaves a run out of the statistics: one rule, stated here and nowhere else.

A split or a speed is left out when something that is not the build's doing happens before it is
reached. A limiter cut that most runs of the build share, or that lies at the build's stated
limiter, is the build's doing. ``counted`` in the day sheet overrules, with its reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from overlay.runs.model import Mark

CUT = "limiter cut"
# Clutch slip belongs to every launch with a centrifugal clutch, so it spoils nothing; a late
# launch does not either, since time counts from the first movement.
OUT_OF_SPLITS = frozenset({"wheelspin", CUT, "lift", "gap", "creeping launch"})
# A slow start takes nothing from a top speed, nor from what is timed from a speed or distance on.
OUT_OF_ROLLING = OUT_OF_TOP = frozenset({"wheelspin", CUT, "lift", "gap"})
TOLD = OUT_OF_SPLITS | {"late launch"}
AT_LIMITER = 0.03  # of the stated limiter: revs overshoot it and are read with noise
RULE = (
    "Left out of a figure: runs with wheelspin, a lift, a gap in the log, or a limiter cut that "
    "other runs of the build lack, before its goal; of a time from launch also those with a "
    "creeping launch. A limiter cut that most runs of the build share, or at its stated limiter, "
    "belongs to the build and is counted. A late launch, and wind or slope noted different, are "
    "kept and noted. 'counted' in the sheet overrules."
)


def spoiling(marks: Iterable[Mark], kinds: frozenset[str], until_s: float | None) -> str:
    """Kinds of the marks that begin before a goal is reached, in words; empty where none does.

    Parameters
    ----------
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


def belonging(
    marks: Mapping[str, Sequence[Mark]], limiter_rpm: float | None
) -> dict[str, tuple[Mark, ...]]:
    """The limiter cuts of each run that belong to the build.

    Parameters
    ----------
    marks : mapping of run to marks
        All runs of one build.
    limiter_rpm : float or None
        The build's stated limiter.

    Examples
    --------
    >>> cut = Mark("limiter cut", 3.0, 4.0, "The revs bounce.", 4000.0)
    >>> [len(found) for found in belonging({"a": [cut], "b": [cut], "c": []}, None).values()]
    [1, 1, 0]
    >>> [len(found) for found in belonging({"a": [cut], "b": [], "c": []}, None).values()]
    [0, 0, 0]
    >>> len(belonging({"a": [cut], "b": [], "c": []}, 4050.0)["a"])
    1
    """
    cuts = {run: [m for m in found if m.kind == CUT] for run, found in marks.items()}
    with_one = sum(bool(found) for found in cuts.values())
    is_shared = with_one >= 2 and 2 * with_one > len(marks)

    def is_stated(mark: Mark) -> bool:
        if limiter_rpm is None or mark.size is None:
            return False
        return abs(mark.size - limiter_rpm) <= AT_LIMITER * limiter_rpm

    return {
        run: tuple(m for m in found if is_shared or is_stated(m)) for run, found in cuts.items()
    }
