"""A day's results in words and tables: for the terminal, and as Markdown for under a video."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from overlay.compare.day import DayComparison, Step, compare_day
from overlay.compare.day_power import BuildPower, powers_of
from overlay.compare.explained import Explained, explained_of
from overlay.compare.figures import (
    CANNOT_TELL,
    LEVEL,
    MAIN_SHARE,
    NOT_JUDGED,
    BuildSummary,
    Comparison,
    RunSplit,
)
from overlay.compare.power_step import PowerStep, power_steps
from overlay.compare.spoiled import RULE
from overlay.compare.standing import TOP, DayRun
from overlay.files import written_whole
from overlay.report.numbers import difference_text, figure_unit, signed
from overlay.report.results_power import power_lines, surroundings_lines
from overlay.report.table import columns
from overlay.sheet import Build, DaySheet
from overlay.units import Z95, mps_to_speed


@dataclass(frozen=True, eq=False)
class DayResults:
    """Everything there is to report of a day."""

    sheet: DaySheet
    runs: tuple[DayRun, ...]  # those that could be worked out, in the sheet's order
    day: DayComparison
    powers: tuple[BuildPower, ...] = ()
    failed: tuple[tuple[str, str], ...] = ()  # those that could not
    power_steps: tuple[PowerStep, ...] = ()  # differences of power between builds
    explained: tuple[Explained, ...] = ()  # what the surroundings of the runs explain

    @property
    def unit(self) -> str:
        """Unit in which speeds are shown."""
        return self.sheet.report.speed_unit

    @property
    def title(self) -> str:
        """Heading of the report."""
        return self.sheet.report.title or "Results of the day"


def judged_day(
    sheet: DaySheet, runs: Sequence[DayRun], failed: Sequence[tuple[str, str]] = ()
) -> DayResults:
    """A day judged in every respect, from its runs and those that could not be worked out."""
    day = compare_day(sheet, runs)
    powers = powers_of(sheet, day, runs)
    return DayResults(
        sheet,
        tuple(runs),
        day,
        powers,
        tuple(failed),
        power_steps(day.steps, powers),
        explained_of(day, powers),
    )


@dataclass(frozen=True)
class Table:
    """A heading, a header and rows."""

    heading: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def terminal_text(results: DayResults) -> str:
    """All tables and sentences for a terminal."""
    parts = [results.title, ""]
    for table in tables(results):
        parts += [table.heading, columns(table.header, table.rows), ""]
    for heading, lines in sections(results):
        parts += [heading, *(f"  {line}" for line in lines), ""]
    return "\n".join(parts).rstrip()


def markdown_text(results: DayResults) -> str:
    """All tables and sentences as Markdown."""
    parts = [f"# {_plain(results.title)}", ""]
    for table in tables(results):
        parts += [f"**{_plain(table.heading)}**", ""]
        parts.append(_md_row(table.header))
        parts.append("|" + "|".join([":--", *["--:"] * (len(table.header) - 1)]) + "|")
        parts += [_md_row(row) for row in table.rows]
        parts.append("")
    for heading, lines in sections(results):
        parts += [f"**{_plain(heading)}**", "", *(f"- {_plain(line)}" for line in lines), ""]
    return "\n".join(parts)


def write_markdown(path: Path, results: DayResults) -> None:
    """Write ``results.md``, whole or not at all."""
    with written_whole(path) as part:
        part.write_text(markdown_text(results), encoding="utf-8")


def tables(results: DayResults) -> list[Table]:
    """The table of runs, then one a step between builds."""
    return [runs_table(results), *(step_table(results, step) for step in results.day.steps)]


def sections(results: DayResults) -> list[tuple[str, list[str]]]:
    """What is said besides the tables: heading and sentences, empty ones left out."""
    found = [
        ("What it bought", [*results.day.sentences, *money_lines(results)]),
        ("Runs", run_notes(results)),
        ("Weather and weight", surroundings_lines(results)),
        ("Power and gearing", power_lines(results)),
        ("Cautions", list(results.day.cautions)),
        ("How measured", method_lines(results)),
    ]
    return [(heading, lines) for heading, lines in found if lines]


def money_lines(results: DayResults) -> list[str]:
    """What a tenth of a second cost, and which parts cannot be told apart."""
    values = [step.value for step in results.day.steps if step.value is not None]
    return [f"{note}." for value in values for note in value.notes]


def runs_table(results: DayResults) -> Table:
    """Every run with its figures; those left out of the statistics stand in brackets."""
    day, unit = results.day, results.unit
    factors = [figure_unit(goal.unit, unit) for goal in day.goals]
    factors.append(figure_unit("m/s", unit))
    names = [*(goal.label for goal in day.goals), TOP]
    labels = [
        name if shown == "s" else f"{name} ({shown})"
        for name, (_, _, shown) in zip(names, factors, strict=True)
    ]
    rows = [
        (
            one.run,
            one.build,
            str(one.place),
            *(
                _cell(split, factor, digits)
                for split, (factor, digits, _) in zip(one.splits, factors, strict=True)
            ),
        )
        for one in day.standings
    ]
    named = named_builds(results.sheet.builds)
    heading = "Times of the runs (s); in brackets: left out of the statistics"
    heading += f"; {named}" if named else ""
    return Table(heading, ("run", "build", "order", *labels), tuple(rows))


def named_builds(builds: Sequence[Build]) -> str:
    """What each build is, such as ``A = As bought``; empty where no sheet says so."""
    return "; ".join(f"{one.name} = {one.about}" for one in builds if one.about)


def step_table(results: DayResults, step: Step) -> Table:
    """One build against another."""
    rows = figure_rows(step.comparisons, results.unit, _summary)
    header = ("figure", step.a, step.b, "difference", "verdict")
    return Table(step_heading(results, step), header, rows)


def figure_rows(
    comparisons: Sequence[Comparison],
    speed_unit: str,
    told: Callable[[BuildSummary, float, int], str],
) -> tuple[tuple[str, ...], ...]:
    """A row a figure: label, what is `told` of each build, difference, verdict."""
    rows = []
    for c in comparisons:
        factor, digits, shown = figure_unit(c.unit, speed_unit)
        label = c.label if c.unit == "s" else f"{c.label} ({shown})"
        label += " — main" if c.is_main else ""
        sides = (told(side, factor, digits) for side in (c.a, c.b))
        rows.append((label, *sides, difference_text(c, factor, digits), verdict_text(c)))
    return tuple(rows)


def step_heading(results: DayResults, step: Step) -> str:
    """What the two builds are, and what stands in the columns."""
    report = results.sheet.report
    margin = mps_to_speed(report.worth_noticing_mps, results.unit)
    return (
        f"{_named(results, step.b)} against {_named(results, step.a)}: mean (runs) of each; "
        f"difference = {step.b} less {step.a} ± 95 %, the day's drift allowed for; smallest "
        f"difference you care about: {report.worth_noticing_s:g} s, {margin:.2g} {results.unit}"
    )


def _named(results: DayResults, name: str) -> str:
    """A build's name with what it is in brackets."""
    build = results.sheet.build(name)
    return name if build is None or not build.about else f"{name} ({build.about})"


def verdict_text(c: Comparison) -> str:
    """The verdict, with why it is not given or what would tell."""
    if c.verdict == NOT_JUDGED:
        return f"{c.verdict}: {c.reason}"
    if c.verdict == CANNOT_TELL:
        told = c.remedy or c.reason
        return f"{c.verdict} ({told})" if told else c.verdict
    return f"{c.verdict} (provisional: few runs)" if c.is_provisional else c.verdict


def run_notes(results: DayResults) -> list[str]:
    """What is noted of single runs, and which could not be worked out."""
    notes = [f"{one.run}: {'; '.join(one.notes)}" for one in results.day.standings if one.notes]
    notes += [*_drifted(results), *_missing(results)]
    notes += [f"{run}: not worked out: {reason}" for run, reason in results.failed]
    return [*notes, RULE] if notes else []


def _drifted(results: DayResults) -> list[str]:
    """That the day drifted, where the main figure shows it."""
    drift = results.day.drift
    if drift is None or not drift.is_seen:
        return []
    factor, digits, unit = figure_unit(drift.unit, results.unit)
    each = signed(factor * drift.per_run, digits + 1)
    return [
        f"The day drifted: {each} {unit} ± {factor * drift.half:.{digits + 1}f} from each run to "
        f"the next in {drift.label}, in all builds alike; the verdicts allow for it"
    ]


def _missing(results: DayResults) -> list[str]:
    """Why figures read ``none``: one line for each goal and reason."""
    why: dict[tuple[str, str], list[str]] = {}
    for one in results.day.standings:
        for goal, split in zip(results.day.goals, one.splits, strict=False):
            if split.value is None:
                why.setdefault((goal.label, split.reason), []).append(one.run)
    return [
        f"{label}: none in {', '.join(runs)}: {reason}" for (label, reason), runs in why.items()
    ]


def method_lines(results: DayResults) -> list[str]:
    """How the figures came about, in a few sentences."""
    day = results.day
    lag = "each run's speed log set on footage time by the motion in the picture"
    if day.lag is not None:
        half = (day.lag.interval_s[1] - day.lag.interval_s[0]) / 2
        lag += f", the receiver's lag of {day.lag.lag_s:.3f} s ± {half:.3f} removed: {day.lag.note}"
    lines = [f"GPS speed, {lag}.", "Times count from the first movement" + _rollout_words(day)]
    lines += [shared_line(results)] if day.standings else []
    judged = max((c.judged_with for step in day.steps for c in step.comparisons), default=0)
    if any(c.p_differ is not None for step in day.steps for c in step.comparisons):
        lines.append(
            f"Verdicts hold at {100 * (1 - LEVEL):.0f} % for {judged} figures judged together "
            f"(Holm's step-down; the main goal has {MAIN_SHARE:.0%} of the weight). They allow for "
            "unlike scatter of the builds and for a drift, a walk or a jump over the day, with the "
            f"runs in the order of {day.order_from}."
        )
        lines.append(
            "'At least' is the low end of a gain: one that is reported because it was found is on "
            "average too large."
        )
    return lines


def shared_line(results: DayResults) -> str:
    """What is a run's own, what its build shares and what the day shares, in one line."""
    parts = [split for one in results.day.standings for split in results.day.timed(one)]
    own, soft, common = (
        Z95 * max((getattr(split, name) for split in parts), default=0.0)
        for name in ("sigma", "soft_sigma", "common_sigma")
    )
    return (
        f"A time from the first movement is known to ± {own:.2f} s by the run itself; how softly "
        f"a build sets off (± {soft:.2f} s) is shared by its runs and does not cancel between "
        f"builds; the lag (± {common:.2f} s) is shared by the day and does. Figures from one speed "
        "or distance to another lean on neither, so the builds are judged by those."
    )


def _rollout_words(day: DayComparison) -> str:
    with_rollout = [goal.label for goal in day.goals if goal.rollout]
    if not with_rollout:
        return "; no rollout is left out."
    return "; where it says rollout, the first 0.3048 m are left out."


def _cell(split: RunSplit, factor: float, digits: int) -> str:
    if split.value is None:
        return "none"
    text = f"{split.value * factor:.{digits}f}"
    return text if split.counted else f"({text})"


def _summary(s: BuildSummary, factor: float, digits: int) -> str:
    return "none" if s.mean is None else f"{s.mean * factor:.{digits}f} ({s.n})"


def _md_row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(_plain(cell) for cell in cells) + " |"


def _plain(text: str) -> str:
    """Text whose characters Markdown does not take for its own signs."""
    for sign in "\\|*_`<>[]#":
        text = text.replace(sign, "\\" + sign)
    return " ".join(text.split())
