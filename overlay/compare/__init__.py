"""Comparison: statistics, verdicts, value for money, power.

Names are found on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from overlay.compare.verdict import (
        CANNOT_TELL as CANNOT_TELL,
    )
    from overlay.compare.verdict import (
        NO_DIFFERENCE as NO_DIFFERENCE,
    )
    from overlay.compare.verdict import (
        REAL as REAL,
    )
    from overlay.compare.verdict import (
        BuildSummary as BuildSummary,
    )
    from overlay.compare.verdict import (
        Comparison as Comparison,
    )
    from overlay.compare.verdict import (
        Pairing as Pairing,
    )
    from overlay.compare.verdict import (
        RunSplit as RunSplit,
    )
    from overlay.compare.verdict import (
        compare_all as compare_all,
    )
    from overlay.compare.verdict import (
        compare_builds as compare_builds,
    )
    from overlay.compare.verdict import (
        run_split as run_split,
    )
    from overlay.compare.verdict import (
        summarise as summarise,
    )

_HOME = {
    "overlay.compare.verdict": (
        "CANNOT_TELL",
        "NO_DIFFERENCE",
        "REAL",
        "BuildSummary",
        "Comparison",
        "Pairing",
        "RunSplit",
        "compare_all",
        "compare_builds",
        "run_split",
        "summarise",
    ),
}
_MODULE_OF = {name: module for module, names in _HOME.items() for name in names}

__all__ = sorted(_MODULE_OF)


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_MODULE_OF[name]), name)
