"""What must stand beside figures that could tempt."""

from __future__ import annotations

CLOSED_COURSE = (
    "Time runs on a closed course only, with protective gear, by the venue's rules and local law."
)
QUALIFIED = (
    "Changes to engine, fuel, brakes or driveline need qualified practice; engine and exhaust "
    "stay hot long after a run."
)
SCATTER = "Runs on one surface, in one direction and weather compare best."


def rev_caution(engine_rpm: float, stock_limit_rpm: float | None) -> str | None:
    """One sentence where revs pass what the stock parts are made for, else None.

    Parameters
    ----------
    engine_rpm : float
        The highest that the figures show or suggest.
    stock_limit_rpm : float or None
        Limit of the stock flywheel and rod as the day sheet states it.

    Examples
    --------
    >>> rev_caution(3500.0, 3600.0) is None
    True
    >>> rev_caution(4800.0, 3600.0)[:38]
    '4800 rpm is beyond the stated 3600 rpm'
    """
    if stock_limit_rpm is None or engine_rpm <= stock_limit_rpm:
        return None
    return (
        f"{engine_rpm:.0f} rpm is beyond the stated {stock_limit_rpm:.0f} rpm limit of the stock "
        "parts: a stock flywheel or rod can burst. Use parts made for it, a guard and a closed "
        "course; follow the venue's rules and qualified practice."
    )


def cautions(
    *, engine_rpm: float | None = None, stock_limit_rpm: float | None = None
) -> tuple[str, ...]:
    """The usual cautions, the one about revs first where it applies."""
    revs = None if engine_rpm is None else rev_caution(engine_rpm, stock_limit_rpm)
    return ((revs,) if revs else ()) + (CLOSED_COURSE, QUALIFIED)
