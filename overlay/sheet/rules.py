"""Rules that join several keys of the sheet, checked on the raw values.

They run also when single values are wrong, so that all problems are said at once; a value of the
wrong kind is left to the validating library.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from overlay.sheet import places as places_of
from overlay.sheet.problems import Places, Problem, shown

Where = places_of.Path
Found = Iterator[tuple[Where, str]]
Table = Mapping[str, Any]
NO_FILE = "no such file"
PRICE_TOLERANCE = 0.005  # half of the smallest coin of most currencies
# Names that Windows keeps for devices, whatever the suffix.
_DEVICES = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))}


def rule_problems(raw: Table, places: Places, folder: Path, *, files: bool) -> list[Problem]:
    """Everything that breaks a rule.

    Parameters
    ----------
    raw : mapping
        The sheet as parsed; lists may be tuples.
    folder : Path
        From which the sheet's file names count.
    files : bool
        Whether the clips and logs must exist.
    """
    found = [
        *_names(raw, "builds"),
        *_names(raw, "runs"),
        *_names(raw, "candidates"),
        *_names(raw, "films"),
        *_candidates(raw),
        *_goals(raw),
        *_judged(raw),
        *_order(raw),
        *_vehicle(_table(raw, "vehicle"), ("vehicle",)),
        *_builds(raw),
        *_money(raw),
        *_runs(raw),
        *_clips_used_twice(raw),
    ]
    if files:
        found += _files(raw, folder)
    return [places.problem(path, text) for path, text in found]


def _table(raw: Table, key: str) -> Table:
    value = raw.get(key)
    return value if isinstance(value, dict) else {}


def _tables(raw: Table, key: str) -> list[tuple[int, Table]]:
    value = raw.get(key)
    items = value if isinstance(value, list | tuple) else ()
    return [(index, item) for index, item in enumerate(items) if isinstance(item, dict)]


def _texts(table: Table, key: str) -> list[tuple[int, str]]:
    value = table.get(key)
    items = value if isinstance(value, list | tuple) else ()
    return [(index, item) for index, item in enumerate(items) if isinstance(item, str) and item]


def _number(table: Table, key: str) -> float | None:
    value = table.get(key)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return value if is_number and value == value else None


def _names(raw: Table, key: str) -> Found:
    seen: dict[str, int] = {}
    for index, table in _tables(raw, key):
        name = table.get("name")
        if not isinstance(name, str):
            continue
        one = key.removesuffix("s")
        first = seen.setdefault(name.casefold(), index)
        if first != index:
            yield (
                (key, index, "name"),
                f"{shown(name)} is already the name of {key}[{first + 1}]; give each {one} "
                "a name of its own (capital and small letters count as the same)",
            )
        if name.casefold().split(".")[0] in _DEVICES:
            yield (
                (key, index, "name"),
                f"{shown(name)} is a name that some systems keep for a device; choose another",
            )


def _goals(raw: Table) -> Found:
    seen: dict[str, int] = {}
    for index, text in _texts(_table(raw, "report"), "splits"):
        if seen.setdefault("".join(text.split()), index) != index:
            yield ("report", "splits", index), f"{shown(text)} is listed twice; take one out"


def _judged(raw: Table) -> Found:
    report = _table(raw, "report")
    main = report.get("main")
    known = [
        " ".join(text.split()) for key in ("judged", "splits") for _, text in _texts(report, key)
    ]
    if isinstance(main, str) and main and " ".join(main.split()) not in known:
        yield ("report", "main"), f"{shown(main)} is none of judged and splits; add it to one"


def _order(raw: Table) -> Found:
    runs = _tables(raw, "runs")
    given = [(index, table["order"]) for index, table in runs if "order" in table]
    seen: dict[Any, int] = {}
    for index, order in given:
        if seen.setdefault(order, index) != index:
            yield (
                ("runs", index, "order"),
                f"{order} is already the order of runs[{seen[order] + 1}]; give each its own",
            )
    if given and len(given) < len(runs):
        yield (
            ("runs", given[0][0], "order"),
            "is given though other runs have none; give it to all runs or to none",
        )


def _vehicle(table: Table, path: Where) -> Found:
    if "tyre_diameter_m" in table and "rolling_circumference_m" in table:
        yield (
            (*path, "rolling_circumference_m"),
            "is given beside tyre_diameter_m; keep one (the measured circumference is the better)",
        )
    idle = _number(table, "idle_rpm")
    for key in ("limiter_rpm", "stock_limit_rpm"):
        limit = _number(table, key)
        if idle is not None and limit is not None and limit <= idle:
            yield (*path, key), f"{limit:g} is not above idle_rpm, {idle:g}; check both"
    ratios = table.get("gear_ratios")
    items = ratios if isinstance(ratios, list | tuple) else ()
    values = [item for item in items if isinstance(item, int | float)]
    if any(after >= before for before, after in pairwise(values)):
        yield (*path, "gear_ratios"), "must fall from gear to gear; write the lowest gear first"


def _builds(raw: Table) -> Found:
    idle = _number(_table(raw, "vehicle"), "idle_rpm")
    for index, build in _tables(raw, "builds"):
        known = dict(build) if idle is None else {**build, "idle_rpm": idle}
        yield from _vehicle(known, ("builds", index))
        total = _parts_total(build)
        price = _number(build, "price")
        if (
            total is not None
            and price is not None
            and price >= 0
            and abs(total - price) > PRICE_TOLERANCE
        ):
            yield (
                ("builds", index, "price"),
                f"{price:.10g} is not the sum of the parts, {total:.10g}; correct one of them, "
                "or take the price out",
            )


def _candidates(raw: Table) -> Found:
    known = _tables(raw, "candidates")
    names = [one["name"] for _, one in known if isinstance(one.get("name"), str)]
    builds = [b["name"] for _, b in _tables(raw, "builds") if isinstance(b.get("name"), str)]
    for index, one in known:
        path: Where = ("candidates", index)
        build = one.get("build")
        if isinstance(build, str) and build and builds and build not in builds:
            yield (*path, "build"), f"{shown(build)} is not a build; {_one_of(build, builds)}"
        for number, need in _texts(one, "needs"):
            others = [name for name in names if name != one.get("name")]
            if need not in others:
                remedy = _one_of(need, others) if others else "add it as a candidate"
                yield (*path, "needs", number), f"{shown(need)} is no other candidate; {remedy}"
        span = one.get("power_percent")
        if isinstance(span, list | tuple) and len(span) == 2:
            low, high = (_number({"at": item}, "at") for item in span)
            if low is not None and high is not None and not -50 <= low <= high <= 100:
                yield (
                    (*path, "power_percent"),
                    f"{low:g} to {high:g}: write [least, most], both from -50 to 100",
                )
        if ("engine_teeth" in one or "wheel_teeth" in one) and (
            "sprocket_teeth" not in _table(raw, "vehicle")
        ):
            yield (
                path,
                "names teeth, but the vehicle's are not given; add sprocket_teeth = [driving, "
                "driven] under [vehicle]",
            )


def _parts_total(build: Table) -> float | None:
    prices = [_number(part, "price") for _, part in _tables(build, "parts")]
    known = [price for price in prices if price is not None]
    return sum(known) if prices and len(known) == len(prices) else None


def _money(raw: Table) -> Found:
    first: tuple[int, str] | None = None
    for index, build in _tables(raw, "builds"):
        currency = build.get("currency")
        price = _number(build, "price") or _parts_total(build) or 0.0
        if price > 0 and currency is None:
            yield (
                ("builds", index, "currency"),
                'is missing though the build has a price; add a line such as currency = "GBP"',
            )
        if not isinstance(currency, str) or not re.fullmatch("[A-Z]{3}", currency):
            continue
        if first is None:
            first = (index, currency)
        elif currency != first[1]:
            yield (
                ("builds", index, "currency"),
                f"{shown(currency)} differs from {shown(first[1])} of builds[{first[0] + 1}]; "
                "give all prices in one currency, since they are compared",
            )


def _runs(raw: Table) -> Found:
    names = [b["name"] for _, b in _tables(raw, "builds") if isinstance(b.get("name"), str)]
    for index, run in _tables(raw, "runs"):
        path: Where = ("runs", index)
        build = run.get("build")
        if isinstance(build, str) and build and names and build not in names:
            yield (*path, "build"), f"{shown(build)} is not a build; {_one_of(build, names)}"
        window = _window(run)
        if window is not None and window[1] <= window[0]:
            yield (
                (*path, "window_s"),
                f"ends at {window[1]:g} s, which is not after its start at {window[0]:g} s; "
                "write [start, end]",
            )
        if "because" in run and "counted" not in run:
            yield (
                (*path, "because"),
                "gives a reason but nothing is overruled; add counted = true or false",
            )
        if isinstance(run.get("counted"), bool) and "because" not in run:
            yield (
                (*path, "counted"),
                'overrules the marks without a reason; add because = "tyre went soft" or the like',
            )
        if run.get("columns") == {}:
            yield (*path, "columns"), 'is empty; write it such as { speed = "V:mph" }'
        yield from _logs(run, path)


def _one_of(name: str, names: list[str]) -> str:
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    same = [known for known in names if known.casefold() == name.casefold()]
    if len(names) > 8 and (same or close):
        return f'did you mean "{(same or close)[0]}"?'
    known = f"use one of {', '.join(names)}" if len(names) > 1 else f"use {names[0]}"
    return f'did you mean "{same[0]}"?' if same else known


def _logs(run: Table, path: Where) -> Found:
    seen: set[Path] = set()
    clip = run.get("clip")
    for number, log in _texts(run, "logs"):
        if Path(log) in seen:
            yield (*path, "logs", number), f"{shown(log)} is listed twice; take one out"
        elif isinstance(clip, str) and Path(log) == Path(clip):
            yield (*path, "logs", number), f"{shown(log)} is the clip; name the log here"
        seen.add(Path(log))


def _window(run: Table) -> tuple[float, float] | None:
    value = run.get("window_s")
    if not isinstance(value, list | tuple) or len(value) != 2:
        return None
    start, end = (_number({"at": item}, "at") for item in value)
    return None if start is None or end is None else (start, end)


def _clips_used_twice(raw: Table) -> Found:
    users: dict[Path, list[tuple[int, tuple[float, float] | None]]] = {}
    for index, run in _tables(raw, "runs"):
        clip = run.get("clip")
        if not isinstance(clip, str) or not clip:
            continue
        window = _window(run)
        for other, taken in users.setdefault(Path(clip), []):
            if window is None or taken is None:
                yield (
                    ("runs", index, "clip"),
                    f"{shown(clip)} is already the clip of runs[{other + 1}]; name another, or "
                    "say with window_s = [start, end] which part each run is",
                )
                break
            if window[0] < taken[1] and taken[0] < window[1]:
                yield (
                    ("runs", index, "window_s"),
                    f"overlaps the window of runs[{other + 1}] in the same clip; part them",
                )
                break
        users[Path(clip)].append((index, window))


def _files(raw: Table, folder: Path) -> Found:
    here: list[str] | None = None
    for index, run in _tables(raw, "runs"):
        clip = run.get("clip")
        named: list[tuple[Where, str]] = [
            (("runs", index, "logs", n), log) for n, log in _texts(run, "logs")
        ]
        if isinstance(clip, str) and clip:
            named.insert(0, (("runs", index, "clip"), clip))
        for path, name in named:
            wrong = _file_problem(folder, name)
            if wrong is None or (path[2] == "logs" and name == clip):
                continue
            if here is None:
                here = _names_in(folder)
            close = difflib.get_close_matches(name, here, n=1, cutoff=0.7)
            is_gone = wrong[0] == NO_FILE
            remedy = f'did you mean "{close[0]}"?' if close and is_gone else wrong[1]
            yield path, f"{shown(name)}: {wrong[0]}; {remedy}"


def _file_problem(folder: Path, name: str) -> tuple[str, str] | None:
    try:
        file = folder / name
        if file.is_file():
            empty = file.stat().st_size == 0
            return ("is empty", "copy it again from the camera or logger") if empty else None
        if file.is_dir():
            return "is a folder", "name a file"
    except (OSError, ValueError):
        return "cannot be a file name", "check it"
    remedy = f"check the name; it counts from {folder}"
    has_backslash = "\\" in name or not name.isprintable()  # TOML reads \b as one control
    return NO_FILE, "write / instead of \\" if has_backslash else remedy


def _names_in(folder: Path) -> list[str]:
    try:
        return sorted(item.name for item in folder.iterdir() if item.is_file())
    except OSError:
        return []
