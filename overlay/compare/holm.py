"""Many figures judged at once: Holm's step-down, with weights.

With k figures tested at the same level, some would look real by luck. Holm's method keeps the
chance of any such error among them at the level; a figure with more weight is given more of it:
Holm, Scandinavian Journal of Statistics 6 (1979) 65-70, section 4 for weights (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

from overlay.errors import UsageError


def holm(p_values: Sequence[float], weights: Sequence[float] | None = None) -> tuple[float, ...]:
    """Adjusted p-values in the given order; compare each with the level.

    Parameters
    ----------
    p_values : sequence of float, 0 to 1
    weights : sequence of float, optional
        Above 0, of any sum; equal by default.

    Raises
    ------
    UsageError
        If a p-value is not between 0 and 1, or a weight not above 0.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    (0.03, 0.06, 0.06)
    >>> [round(p, 6) for p in holm([0.04, 0.02], [0.9, 0.1])]
    [0.044444, 0.044444]
    """
    shares = [1.0] * len(p_values) if weights is None else list(weights)
    if not all(0 <= p <= 1 for p in p_values):
        raise UsageError("p-values must lie between 0 and 1")
    if not all(w > 0 for w in shares):
        raise UsageError("weights must be above 0")
    order = sorted(range(len(p_values)), key=lambda i: p_values[i] / shares[i])
    adjusted = [1.0] * len(p_values)
    worst, left = 0.0, sum(shares)
    for i in order:
        worst = max(worst, min(p_values[i] / shares[i] * left, 1.0))
        adjusted[i] = worst
        left -= shares[i]
    return tuple(adjusted)
