"""Many splits judged at once: Holm's step-down.

With k splits tested at the same level, some would look real by luck. Holm's method keeps the
chance of any such error among them at the level: Holm, Scandinavian Journal of Statistics 6
(1979) 65-70 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

from overlay.errors import UsageError


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Adjusted p-values in the given order; compare each with the level.

    Raises
    ------
    UsageError
        If a p-value is not between 0 and 1.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    (0.03, 0.06, 0.06)
    """
    if not all(0 <= p <= 1 for p in p_values):
        raise UsageError("p-values must lie between 0 and 1")
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    adjusted = [1.0] * len(p_values)
    worst = 0.0
    for step, i in enumerate(order):
        worst = max(worst, min((len(p_values) - step) * p_values[i], 1.0))
        adjusted[i] = worst
    return tuple(adjusted)
