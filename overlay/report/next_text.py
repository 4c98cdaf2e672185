"""What to try next, in words and as one object."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from overlay.compare.value import money
from overlay.plan.candidates import NOT_SEEN, Prospect
from overlay.plan.figure import Figure
from overlay.plan.gearing import Size, Sweep
from overlay.plan.whole import Next
from overlay.report.results import Table
from overlay.report.table import columns


def next_json(found: Next) -> dict[str, Any]:
    """Everything as plain values, for a file or a page; what is not known is NaN or None."""
    sweep = found.sweep
    held_out = [asdict(one) | {"inside": one.is_inside} for one in found.held_out]
    return {
        "build": found.build,
        "goal": found.goal,
        "currency": found.currency,
        "candidates": [asdict(one) for one in found.prospects],
        "gearing": None if sweep is None else {k: _listed(v) for k, v in vars(sweep).items()},
        "held_out": held_out,
        **{
            name: _listed(getattr(found, name))
            for name in ("vehicle", "force", "strength", "compression", "air")
        },
        "asked": found.asked,
        "elsewhere": found.elsewhere,
        "cautions": found.cautions,
    }


@dataclass(frozen=True)
class NextParts:
    """Everything in words, for whoever sets it.

    Attributes
    ----------
    heading : str
    candidates : Table or None
        None where there are none.
    prospects : tuple of (str, tuple of str)
        Each candidate's answer, and what it rests on.
    gearing : tuple of str
    sizes, checked : Table or None
        Sprockets and tyres; runs predicted from the others.
    figures : tuple of (str, tuple of str)
        Heading and lines.
    check : str
        How well runs are predicted from the others.
    asked : str
        What would tell more; empty where nothing would.
    cautions : tuple of str
    """

    heading: str
    candidates: Table | None
    prospects: tuple[tuple[str, tuple[str, ...]], ...]
    gearing: tuple[str, ...]
    sizes: Table | None
    figures: tuple[tuple[str, tuple[str, ...]], ...]
    check: str
    checked: Table | None
    asked: str
    cautions: tuple[str, ...]


def next_parts(found: Next) -> NextParts:
    """Set everything in words."""
    figures = (
        ("Revs and strength", found.strength),
        ("Compression", found.compression),
        ("Air and jetting", found.air),
        ("The vehicle, as its runs and the sheet have it", (*found.vehicle, *found.force)),
    )
    about = f" ({found.about})" if found.about else ""
    asked = "More could be said if the sheet had: " + ", ".join(found.asked)
    return NextParts(
        f"What to try next on build {found.build}{about}, judged by {found.goal}",
        _candidates(found) if found.prospects else None,
        tuple(_prospect(one, found) for one in found.prospects),
        () if found.sweep is None else _gearing(found.sweep),
        None if found.sweep is None else _sizes(found.sweep),
        tuple((title, tuple(map(_line, lines))) for title, lines in figures if lines),
        *_held_out(found),
        asked if found.asked else "",
        found.cautions,
    )


def next_text(found: Next) -> str:
    """For a terminal: candidates first, then gearing, strength, and what it all rests on."""
    of = next_parts(found)
    parts = [of.heading, "", _NONE if of.candidates is None else _plain(of.candidates)]
    for answer, lines in of.prospects:
        parts += ["", answer, *(f"  {line}" for line in lines)]
    if of.gearing:
        parts += ["", of.gearing[0], *(f"  {line}" for line in of.gearing[1:])]
    parts += [] if of.sizes is None else [_plain(of.sizes)]
    for title, lines in of.figures:
        parts += ["", title, *(f"  {line}" for line in lines)]
    parts += ["", of.check, *([] if of.checked is None else [_plain(of.checked)])]
    parts += ["", of.asked] if of.asked else []
    other = ", ".join(f"{name} (--build {build})" for name, build in found.elsewhere)
    parts += ["", f"Candidates of other builds: {other}"] if other else []
    return "\n".join([*parts, "", *of.cautions])


def _plain(table: Table) -> str:
    return columns(table.header, table.rows)


_NONE = (
    "no candidates: list what you think of fitting as [[candidates]] in the sheet, with a price "
    "and what it changes (wheel_teeth, mass_change_kg, power_percent, limiter_rpm, ...)"
)


def figure_text(figure: Figure) -> str:
    """Value with unit and interval.

    Examples
    --------
    >>> figure_text(Figure("gain", -0.123, "s", "model", -0.2, -0.05))
    '-0.12 s (-0.20 to -0.05)'
    >>> figure_text(Figure("limit", 4000.0, "rpm", "sheet", why="as stated"))
    '4000 rpm'
    """
    if math.isnan(figure.value):
        return figure.why
    digits = figure.digits
    unit = f" {figure.unit}" if figure.unit else ""
    value, low, high = (
        "no end" if number is None else f"{round(number, digits) + 0.0:.{digits}f}"
        for number in (figure.value, figure.low, figure.high)
    )
    return f"{value}{unit}" + ("" if figure.low is None else f" ({low} to {high})")


def change_text(figure: Figure) -> str:
    """A change of a goal, as after less before: of a time in words, else with its sign.

    Examples
    --------
    >>> change_text(Figure("20 to 60 m", -0.123, "s", "model", -0.2, -0.05))
    '0.12 s faster (0.05 to 0.20)'
    >>> change_text(Figure("20 to 60 m", 0.02, "s", "model", -0.05, 0.1))
    '0.02 s slower (0.05 faster to 0.10 slower)'
    >>> change_text(Figure("top speed", 0.5, "mph", "model", 0.1, 0.9))
    '+0.50 mph (+0.10 to +0.90)'
    """
    if math.isnan(figure.value) or figure.low is None or figure.high is None:
        return figure_text(figure)
    value, low, high = (
        round(number, figure.digits) + 0.0 for number in (figure.value, figure.low, figure.high)
    )
    if figure.unit != "s":
        value_text, *ends = (f"{number:+.{figure.digits}f}" for number in (value, low, high))
        return f"{value_text} {figure.unit} ({ends[0]} to {ends[1]})"
    words = [
        f"{abs(number):.{figure.digits}f}" + (" faster" if number < 0 else " slower") * bool(number)
        for number in (value, low, high)
    ]
    said = words[0].replace(" ", " s ", 1) if value else f"{words[0]} s"
    if low * high <= 0:
        return f"{said} ({words[1]} to {words[2]})"
    near, far = sorted((abs(low), abs(high)))
    return f"{said} ({near:.{figure.digits}f} to {far:.{figure.digits}f})"


def _candidates(found: Next) -> Table:
    rows = []
    for one in found.prospects:
        gain = change_text(one.gains[0]) if one.gains else "-"
        price = "-" if one.price is None else money(one.price, found.currency)
        tenth = "-" if one.tenth is None else _tenth(one.tenth, found.currency)
        runs = "-" if not one.gains else "over 20" if one.runs is None else str(one.runs)
        rows.append((one.name, price, gain, tenth, runs, one.answer))
    head = ("candidate", "price", f"change of {found.goal}", "0.1 s costs", "runs each", "answer")
    return Table("", head, tuple(rows))


def _tenth(cost: Figure, currency: str | None) -> str:
    """What 0.1 s costs; only the least where the gain may be nothing."""
    if cost.high is None:
        return f"at least {money(round(cost.low or 0.0), currency)}"
    return money(round(cost.value), currency)


def _prospect(one: Prospect, found: Next) -> tuple[str, tuple[str, ...]]:
    """The answer first, then what it rests on, a line each."""
    answer = f"{one.name}: {one.answer}" + (f" ({one.choice})" if one.choice else "")
    lines = []
    if one.together:
        lines.append(f"buy together with {', '.join(one.together)}; the price is that of all")
    if one.gains:
        lines.append("; ".join(f"{gain.name} {change_text(gain)}" for gain in one.gains))
    if one.tenth is not None:
        low, high = one.tenth.low or 0.0, one.tenth.high
        most = one.tenth.why if high is None else f"at most {money(round(high), found.currency)}"
        lines.append(f"0.1 s costs at least {money(round(low), found.currency)}, {most}")
    if one.runs is not None:
        lines.append(f"{one.runs} runs of each build, in turns, would show it")
    elif one.gains:
        where = one.shown_by or "no course up to 400 m nor goal of the sheet would show it"
        lines.append(f"{NOT_SEEN}: 20 runs of each build would not show it; {where}")
    if one.line is not None:
        lines.append(f"{one.line.name}: {figure_text(one.line)}")
    lines += [_line(figure) for figure in one.figures]
    lines += [f"may break: {text}" for text in one.may_break]
    if one.left_out:
        lines.append(f"left out, beyond a stated limit: {', '.join(one.left_out)}")
    if one.missing:
        lines.append(f"missing: {', '.join(one.missing)}")
    return answer, tuple(lines)


def _gearing(sweep: Sweep) -> tuple[str, ...]:
    lines = [f"Gearing for {sweep.goal}: ratio {sweep.now:g} now"]
    limit = f"{sweep.limit_rpm:.0f} rpm ({sweep.limit_from})"
    if sweep.best is None or sweep.alike is None:
        return (*lines, f"no ratio keeps the revs within {limit}")
    at = int(abs(sweep.ratio - sweep.best).argmin())
    low, high = sweep.alike
    now = int(abs(sweep.ratio - sweep.now).argmin())
    if sweep.line_high_rpm[now] > sweep.limit_rpm:
        lines.append(f"now it may pass {limit}: up to {sweep.line_high_rpm[now]:.0f} rpm")
    lines += [
        f"best {sweep.best:.2f} within {limit}: "
        + "; ".join(f"{gain.name} {change_text(gain)}" for gain in sweep.gains),
        f"{low:.2f} to {high:.2f} are as good as far as this shows, or differ by less than matters",
        f"highest revs on the course {sweep.line_rpm[at]:.0f} rpm, "
        f"up to {sweep.line_high_rpm[at]:.0f}",
    ]
    return tuple(lines)


def _size_note(size: Size) -> str:
    """What is to be known of a size beside its figures."""
    notes = [("now", size.is_now), ("may pass the limit", size.is_beyond)]
    return ", ".join(
        word for word, is_so in [*notes, ("too little to matter", size.is_alike)] if is_so
    )


def _sizes(sweep: Sweep) -> Table | None:
    """Sprockets and tyres, where there is more than what is fitted now."""
    if len(sweep.sizes) < 2:
        return None
    rows = [
        (
            one.name,
            _size_note(one),
            f"{one.ratio:.2f}",
            *(change_text(gain) for gain in one.gains[:2]),
            figure_text(one.line),
        )
        for one in sweep.sizes
    ]
    goals = [f"change of {gain.name}" for gain in sweep.sizes[0].gains[:2]]
    head = ("sprockets and tyre", "note", "ratio", *goals, "highest revs")
    return Table("", head, tuple(rows))


def _held_out(found: Next) -> tuple[str, Table | None]:
    if not found.held_out:
        return "Not checked on a run it has not seen: that takes two runs of the build", None
    rows = [
        (
            one.run,
            f"{one.measured:.2f}",
            figure_text(one.predicted),
            "yes" if one.is_inside else "no",
        )
        for one in found.held_out
    ]
    errors = [one.predicted.value - one.measured for one in found.held_out]
    rms = math.sqrt(sum(error**2 for error in errors) / len(errors))
    inside = sum(one.is_inside for one in found.held_out)
    said = (
        f"Each run predicted from the others: {rms:.3f} {found.held_out[0].predicted.unit} "
        f"root mean square error, {inside} of {len(errors)} inside their 95 % interval"
    )
    return said, Table("", ("run", found.goal, "predicted", "inside"), tuple(rows))


def _line(figure: Figure) -> str:
    limit = "" if figure.limit is None else f"; limit {figure.limit:.4g} {figure.limit_from}"
    why = f", no interval: {figure.why}" if figure.why else ""
    return f"{figure.name}: {figure_text(figure)}{limit} [{figure.source}{why}]"


def _listed(value: Any) -> Any:
    """Arrays as lists, figures and sizes as objects."""
    if isinstance(value, tuple) and value and isinstance(value[0], Figure | Size):
        return [asdict(one) for one in value]
    return value.tolist() if hasattr(value, "tolist") else value
