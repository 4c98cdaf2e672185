"""What must stand beside figures that could tempt."""

from __future__ import annotations

import re

CLOSED_COURSE = (
    "Do timed runs only on a closed course, with protective gear, by the venue's rules and local "
    "law."
)
QUALIFIED = (
    "Changes to engine, fuel, brakes or driveline need qualified practice; engine and exhaust "
    "stay hot long after a run."
)
# By what was bought, in the words of its name; common practice, no source.
OF_PARTS = (
    (
        r"governor",
        "with the governor off or set higher nothing holds the revs: limit them by ignition, and "
        "use no more than rod and flywheel are made for",
    ),
    (
        r"gasket",
        "a thinner gasket takes clearance: measure piston to head and valve to piston first",
    ),
    (
        r"valve spring|stiffer spring",
        "stiffer springs load cam and pushrods: check for coil bind",
    ),
    (
        r"flywheel",
        "a flywheel must be rated for the revs and fitted to its maker's torque, behind a guard",
    ),
    (
        r"\bjet|carb",
        "a lean mixture burns pistons and fuel spills burn people: read the plug, fuel up cold",
    ),
    (
        r"chain|sprocket|gearing",
        "keep a guard over chain and sprockets, and hands off while it runs",
    ),
    (r"tyre|tire\b", "check the tyres' speed rating and pressure against the top speed"),
)


def rev_caution(engine_rpm: float, stock_limit_rpm: float | None, seen: str = "") -> str | None:
    """One sentence where revs pass what the stock parts are made for, else None.

    Parameters
    ----------
    engine_rpm : float
        The highest that the figures show or suggest.
    stock_limit_rpm : float or None
        Limit of the stock flywheel and rod as the day sheet states it.
    seen : str
        Where the revs come from.

    Examples
    --------
    >>> rev_caution(3500.0, 3600.0) is None
    True
    >>> rev_caution(4800.0, 3600.0, "by its gearing")[:55]
    '4800 rpm (by its gearing) is beyond the stated 3600 rpm'
    """
    if stock_limit_rpm is None or engine_rpm <= stock_limit_rpm:
        return None
    whose = f" ({seen})" if seen else ""
    return (
        f"{engine_rpm:.0f} rpm{whose} is beyond the stated {stock_limit_rpm:.0f} rpm limit of the "
        f"stock parts, with {(engine_rpm / stock_limit_rpm) ** 2:.2f} times the load: a stock "
        "flywheel or rod can burst. Use parts made for it, a guard and a closed course; follow "
        "the venue's rules and qualified practice."
    )


def part_cautions(names: str) -> tuple[str, ...]:
    """What belongs to the parts named in a text, one phrase each.

    Examples
    --------
    >>> part_cautions("Governor spring")[0][:40]
    'with the governor off or set higher noth'
    >>> part_cautions("open air filter")
    ()
    """
    return tuple(text for words, text in OF_PARTS if re.search(words, names, re.IGNORECASE))


def cautions() -> tuple[str, ...]:
    """Those that stand everywhere."""
    return CLOSED_COURSE, QUALIFIED
